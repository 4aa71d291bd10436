package deliver

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

func TestWhichVerdictsASinkWants(t *testing.T) {
	judged := func(verdicts string) record.Entry {
		return record.Entry{Kind: record.KindWeighing, Balance: "b-01", JSON: fmt.Appendf(nil, `{"verdicts":%s}`, verdicts)}
	}
	passed, failed := `{"rule":"r","pass":true}`, `{"rule":"s","pass":false}`
	unjudged := `{"rule":"u","pass":false,"not_judged":true,"why":"it is gross"}`
	for _, c := range []struct{ verdicts, want string }{
		{"null", "any not-failed"},
		{"[]", "any not-failed"},
		{"[" + passed + "]", "any passed not-failed"},
		{"[" + passed + "," + failed + "]", "any failed"},
		{"[" + failed + "]", "any failed"},
		{"[" + unjudged + "]", "any not-failed"}, // neither passed nor failed
		{"[" + unjudged + "," + passed + "]", "any passed not-failed"},
		{"[" + unjudged + "," + failed + "]", "any failed"},
		{`"broken"`, "any passed not-failed failed"}, // it is for the destination to refuse it
	} {
		var got []string
		for _, choice := range []string{AnyVerdict, Passed, NotFailed, Failed} {
			cfg := testConfig()
			cfg.Verdicts = choice
			r := New(newLog(), &fakeSink{}, cfg, Deps{})
			if r.wants(judged(c.verdicts)) {
				got = append(got, choice)
			}
			other := record.Entry{Kind: record.KindClockCorrected, JSON: []byte(`{}`)}
			if r.want[other.Kind] = true; !r.wants(other) {
				t.Errorf("verdicts: %s holds back what is no weighing", choice)
			}
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("verdicts %s go to %v, want %s", c.verdicts, got, c.want)
		}
	}
}

func TestOnlyTheBalancesThatASinkNames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog(sinktest.Weighings(40, 1)...)
		l.follow(record.Entry{Kind: record.KindStart, ID: "s", JSON: []byte(`{}`)}, record.Entry{Kind: record.KindPortUp, Balance: "x", ID: "p", JSON: []byte(`{}`)})
		r := start(t, l, &fakeSink{}, func(c *Config, _ *Deps) { c.Entries, c.Balances = []string{"all"}, []string{"b-01", "store-3"} })
		synctest.Wait()
		var want []string
		for _, e := range l.entries {
			if slices.Contains([]string{"", "b-01", "store-3"}, e.Balance) {
				want = append(want, e.ID)
			}
		}
		if got := r.sink.got(); !slices.Equal(got, want) || len(want) >= 40 || l.place() != 42 {
			t.Errorf("got %d, want %d; cursor %d", len(got), len(want), l.place())
		}
		r.stop(t)
	})
}

func TestMistakesInRoutingAreSaid(t *testing.T) {
	for want, change := range map[string]func(*Config){
		"balances[1]: \"b-1\" stands here twice":       func(c *Config) { c.Balances = []string{"b-1", "b-1"} },
		"balances[0]: the id of the balance holds":     func(c *Config) { c.Balances = []string{"B 1"} },
		"verdicts: \"good\" is no choice of verdicts":  func(c *Config) { c.Verdicts = "good" },
		"hold: \"forever\" is no way to hold entries":  func(c *Config) { c.Hold = "forever" },
		"cursor: \"yesterday\" is no place to begin":   func(c *Config) { c.Cursor = "yesterday" },
		"cursor: \"2026-11-01\" is no place to begin;": func(c *Config) { c.Cursor = "2026-11-01" },
	} {
		c := testConfig()
		change(&c)
		report := strict.NewReport("test")
		c.Check(report)
		if err := report.Faults().Err(); err == nil || !strings.Contains(err.Error(), strings.TrimSuffix(want, ";")) {
			t.Errorf("%v, want %s", err, want)
		}
	}
}
