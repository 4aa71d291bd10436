package intake

import (
	"errors"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// shelf is a fake of what is known of samples.
type shelf struct {
	mu      sync.Mutex
	known   map[string]record.KnownSample
	weighed map[string]time.Time
	held    map[string]string
	reading bool
}

func newShelf(list ...record.Sample) *shelf {
	s := &shelf{known: map[string]record.KnownSample{}, weighed: map[string]time.Time{}, held: map[string]string{}}
	for _, one := range list {
		s.known[one.ID] = record.KnownSample{Sample: one, By: record.Actor{ID: "lims"}}
	}
	return s
}

func (s *shelf) Sample(id string) (record.KnownSample, bool, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one, ok := s.known[id]
	return one, ok, !s.reading
}

func (s *shelf) Hold(balance, id string, _, _ time.Time) (others []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for other, held := range s.held {
		if other != balance && held == id && id != "" {
			others = append(others, other)
		}
	}
	s.held[balance] = id
	slices.Sort(others)
	return others
}

func (s *shelf) Weighed(balance, id string, at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.weighed[balance+" "+id] = at
}

func (s *shelf) WeighedAt(balance, id string) time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.weighed[balance+" "+id]
}

// sends has a system set a sample.
func sends(t *testing.T, b *bench, id string, more func(*record.ContextRequest)) error {
	t.Helper()
	r := record.ContextRequest{Sample: &record.ContextItem{ID: id}, By: record.BySent, Where: "http 127.0.0.1", Actor: &record.Actor{ID: "lims", By: record.ActorAPIKey}, At: time.Now()}
	if more != nil {
		more(&r)
	}
	_, err := b.SetContext(t.Context(), r)
	return err
}

func means(r *record.ContextRequest) { r.Confirm = true }

// outcome is what became of a request, in a word.
func outcome(err error) string {
	var refused *record.ContextRefused
	switch {
	case err == nil:
		return accepts
	case errors.As(err, &refused) && refused.Ask:
		return asks
	case errors.As(err, &refused):
		return refuses
	}
	return err.Error()
}

// TestThePolicyForSamples: each of the four things that can be unusual, with each of the three things that can be done.
func TestThePolicyForSamples(t *testing.T) {
	past := record.UTC(time.Now().Add(-48 * 365 * 24 * time.Hour))
	cases := map[string]struct {
		set  func(*SamplesConfig, string)
		id   string
		rule string
	}{
		"unknown":   {func(c *SamplesConfig, do string) { c.Unknown = do }, "LOT-9", ruleKnown},
		"again":     {func(c *SamplesConfig, do string) { c.Again = do }, "LOT-1", ruleAgain},
		"elsewhere": {func(c *SamplesConfig, do string) { c.Elsewhere = do }, "LOT-2", ruleHere},
		"expired":   {func(c *SamplesConfig, do string) { c.Expired = do }, "LOT-3", ruleInDate},
	}
	for name, c := range cases {
		for _, do := range []string{accepts, asks, refuses} {
			cfg := SamplesConfig{Pattern: "LOT-[0-9]+", Elsewhere: accepts, Expired: accepts}
			c.set(&cfg, do)
			var got, confirm string
			bodies := inBubble(t, anchored, func(b *Config) { b.Samples = &cfg }, func(t *testing.T, b *bench, h port.Handler) {
				s := newShelf(record.Sample{ID: "LOT-0"}, record.Sample{ID: "LOT-1"}, record.Sample{ID: "LOT-2"}, record.Sample{ID: "LOT-3", Expires: &past})
				b.samples = s
				s.Weighed("b-12", "LOT-1", time.Now().Add(-23*time.Hour))
				s.Hold("b-7", "LOT-2", time.Time{}, time.Now())
				if err := sends(t, b, "LOT-0", nil); err != nil {
					t.Error(err)
				}
				time.Sleep(time.Second)
				got = outcome(sends(t, b, c.id, nil))
				time.Sleep(time.Second)
				prints(h, "W 1.000 g S") // without a sample, where it was not accepted: never the one before
				if s.held["b-12"] != "" {
					t.Errorf("%s %s: the shelf has %q as held after its weighing", name, do, s.held["b-12"])
				}
				time.Sleep(25 * time.Second)
				confirm = outcome(sends(t, b, c.id, means))
				time.Sleep(time.Second)
				prints(h, "W 2.000 g S")
			})
			w := weighings(bodies)
			want := map[string][2]string{accepts: {c.id, c.id}, asks: {"", c.id}, refuses: {"", ""}}[do]
			if name == "again" && do == accepts {
				want[1] = c.id
			}
			if got != do || sampleOf(w[0]) != want[0] || sampleOf(w[1]) != want[1] || do == asks && confirm != accepts || do == refuses && confirm != refuses {
				t.Errorf("%s %s: %s, then %s: %q and %q", name, do, got, confirm, sampleOf(w[0]), sampleOf(w[1]))
			}
			flagged := slices.ContainsFunc(w[1].Verdicts, func(v record.Verdict) bool { return v.Rule == c.rule && !v.Pass && v.Why != "" })
			if flagged != (do == asks) {
				t.Errorf("%s %s: verdicts %+v", name, do, w[1].Verdicts)
			}
		}
	}
}

// TestWhatConfirms: the same request, within 30 seconds, with confirm; and nothing else.
func TestWhatConfirms(t *testing.T) {
	ask := func(c *Config) { c.Samples = &SamplesConfig{Unknown: asks} }
	inBubble(t, anchored, ask, func(t *testing.T, b *bench, h port.Handler) {
		b.samples = newShelf()
		try := func(want, id string, more func(*record.ContextRequest)) {
			t.Helper()
			if got := outcome(sends(t, b, id, more)); got != want {
				t.Errorf("%s: %s, want %s", id, got, want)
			}
		}
		try(asks, "A", means) // nobody was told of it yet
		try(accepts, "A", means)
		try(asks, "A", means) // once more, once
		try(asks, "B", means) // another
		try(asks, "A", means)
		time.Sleep(31 * time.Second)
		try(asks, "A", means) // too late
		try(asks, "A", nil)   // not confirmed
		try(asks, "A", func(r *record.ContextRequest) { r.Actor, r.Confirm = &record.Actor{ID: "other"}, true })
		try(asks, "A", nil)
		try(asks, "A", func(r *record.ContextRequest) { r.Lot, r.Confirm = &record.ContextItem{ID: "L"}, true })
		try(asks, "A", nil)
		if _, err := b.SetContext(t.Context(), record.ContextRequest{SignOut: true, By: record.BySent, At: time.Now()}); err != nil {
			t.Error(err)
		}
		try(asks, "A", means) // nobody is there any more who could mean it
	})
}

// TestAScanIsConfirmedByScanningAgain: but not by a scanner that reads one label twice.
func TestAScanIsConfirmedByScanningAgain(t *testing.T) {
	bodies := inBubble(t, anchored, func(c *Config) { withScanner(c); c.Samples = &SamplesConfig{Unknown: asks} }, func(t *testing.T, b *bench, h port.Handler) {
		b.samples = newShelf(record.Sample{ID: "LOT-1"})
		scan := scans(b)
		scan("LOT-1\r")
		at := time.Now()
		b.scan.Bytes([]byte("LOT-9\r"), port.Arrival{At: at, Emptied: at})
		time.Sleep(300 * time.Millisecond)
		if len(b.Context().Items) != 0 {
			t.Errorf("held: %+v", b.Context().Items)
		}
		if l := b.board.List(); len(l) != 1 || !strings.Contains(l[0].Sentence, "Scan it once more within 30 s") {
			t.Errorf("%+v", l)
		}
		at = time.Now()
		b.scan.Bytes([]byte("LOT-9\r"), port.Arrival{At: at, Emptied: at})
		time.Sleep(2 * time.Second)
		prints(h, "W 1.000 g S")
		scan("LOT-9\r")
		if l := b.board.List(); len(l) != 0 {
			t.Errorf("%+v", l)
		}
		prints(h, "W 2.000 g S")
	})
	w := weighings(bodies)
	if sampleOf(w[0]) != "" || sampleOf(w[1]) != "LOT-9" {
		t.Errorf("%q", story(bodies))
	}
	var causes []string
	for _, body := range bodies {
		if e, ok := body.(*record.ContextChange); ok {
			causes = append(causes, e.Cause)
			if e.Cause == "asked" && (len(e.Verdicts) != 1 || string(e.Raw) != "LOT-9\r" || e.Before.Sample == nil || e.After.Sample != nil) {
				t.Errorf("%+v", e)
			}
		}
	}
	if want := []string{"set", "asked", "refused", "set"}; !reflect.DeepEqual(causes, want) {
		t.Errorf("%v, want %v", causes, want)
	}
}

// TestWhatASampleBringsAlong holds as long as the sample, and not a weighing longer.
func TestWhatASampleBringsAlong(t *testing.T) {
	bodies := inBubble(t, anchored, withScanner, func(t *testing.T, b *bench, h port.Handler) {
		b.samples = newShelf(record.Sample{ID: "LOT-1", Lot: "L1", Method: "moisture", Fields: map[string]string{"shelf": "4"}}, record.Sample{ID: "LOT-2", Run: "R2"})
		scan := scans(b)
		scan("P-07\r")
		scan("LOT-1\r")
		v := b.Context()
		if len(v.Items) != 5 || v.Items[3].Name != "lot" || v.Items[3].By != record.BySent || v.Items[3].From != "announced by lims" || v.Items[1].From != "/dev/ttyS8" || v.Items[1].Age != record.Span(time.Second) {
			t.Errorf("%+v", v.Items)
		}
		prints(h, "W 1.000 g S")
		prints(h, "W 2.000 g S")
		scan("LOT-1\r")
		scan("LOT-2\r") // another in its place: nothing of the first stays
		prints(h, "W 3.000 g S")
		if err := sends(t, b, "LOT-1", func(r *record.ContextRequest) { r.Lot = &record.ContextItem{ID: "L9"} }); outcome(err) != refuses || !strings.Contains(err.Error(), `"L1"`) {
			t.Errorf("a lot that contradicts: %v", err)
		}
		scan("LOT-1\r")
		scan("P-08\r") // another person: what was put on for the one before is not theirs
		prints(h, "W 4.000 g S")
		scan("LOT-1\r")
		time.Sleep(31 * time.Minute)
		prints(h, "W 5.000 g S")
	})
	var got []string
	for _, w := range weighings(bodies) {
		c := w.Context
		one := personOf(w) + "/" + sampleOf(w)
		for _, name := range []string{"lot", "method", "run"} {
			if l := c.Get(name); l != nil {
				one += " " + l.ID
			}
		}
		got = append(got, one+" "+c.Fields["shelf"])
	}
	if want := []string{"07/LOT-1 L1 moisture 4", "07/ ", "07/LOT-2 R2 ", "08/ ", "/ "}; !reflect.DeepEqual(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// withGS1 is a balance whose labels are GS1 codes, beside badges and plain ones.
func withGS1(c *Config) {
	c.Scanner = &ScannerConfig{Symbology: true, Rules: []ScanRule{{Prefix: "LOT-", Item: "sample"},
		{GS1: map[string]string{"10": "lot", "21": "sample", "17": "expires", "8004": "balance", "91": "box"}}}}
}

func TestGS1Codes(t *testing.T) {
	for scan, want := range map[string]string{
		"]C10109506000134352" + "10L7\x1d21S-1": "lot L7 sample S-1",
		"]d221S-1\x1d9104":                      "sample S-1 box 04",
		"]Q321S-1\x1d17991231":                  "asked The sample was not taken yet: the label says that it was to be used before 1 January 2000",
		"]C12121S":                              "sample 21S",
		"]e021S10L":                             "refused It is no GS1 element string: AI (21), at character 3, is \"S10L\"",
		"]C00109506000134352":                   "refused No rule says",
		"]C0LOT-7":                              "sample LOT-7",
		"LOT-7":                                 "refused It does not begin with the three characters",
		"]C10109506000134351":                   "refused It is no GS1 element string: AI (01), at character 16, ends with the check digit 1",
		"]C10109506000134352":                   "refused None of its application identifiers (01) means anything here",
		"]C18004b-12":                           "confirmed",
		"]C18004b-13":                           "refused It is the label of another balance",
		"]C18004b-12\x1d21S-9":                  "confirmed sample S-9",
		"]C121S-1\x1d21S-2":                     "refused It is no GS1 element string: AI (21), at character 7, is there twice",
		"]C121" + strings.Repeat("9", 21):       "refused It is no GS1 element string: AI (21), at character 23",
		"]C1(21)S-1":                            "refused It is no GS1 element string: at character 1 an application identifier",
		"typed (21)S-1(10)L7":                   "lot L7 sample S-1",
		"typed (21)S-1(10)":                     "refused It is no GS1 element string: AI (10), at character 12, has no value",
	} {
		text, typed := strings.CutPrefix(scan, "typed ")
		bodies := inBubble(t, anchored, withGS1, func(t *testing.T, b *bench, h port.Handler) {
			_, err := b.Scan(t.Context(), record.ScanRequest{Raw: text, Typed: typed, Others: true, Where: "http 127.0.0.1", Actor: &record.Actor{ID: "ada", By: record.ActorPassword}})
			if (err != nil) != (strings.HasPrefix(want, "refused") || strings.HasPrefix(want, "asked")) {
				t.Errorf("%q: %v", scan, err)
			}
		})
		got := ""
		for _, body := range bodies {
			e, ok := body.(*record.ContextChange)
			if !ok || e.Cause == "expired" {
				continue
			}
			if string(e.Raw) != text || e.By == nil || e.By.ID != "ada" || e.Where != "http 127.0.0.1" {
				t.Errorf("%q: the entry keeps %q by %+v", scan, e.Raw, e.By)
			}
			if e.Cause != "set" {
				got += e.Cause + " " + e.Why
				if e.Cause == "confirmed" {
					got = "confirmed"
				}
				continue
			}
			for _, name := range []string{"lot", "sample"} {
				if l := e.After.Get(name); l != nil {
					got += " " + name + " " + l.ID
					if typed != (l.By == record.ByTyped) {
						t.Errorf("%q: by %s", scan, l.By)
					}
				}
			}
			if box := e.After.Fields["box"]; box != "" {
				got += " box " + box
			}
		}
		if got = strings.TrimSpace(got); !strings.HasPrefix(got, want) {
			t.Errorf("%q: %q, want %q", scan, got, want)
		}
	}
}

// TestWhoMayNameAPersonByAScan: oneself; others only with that right.
func TestWhoMayNameAPersonByAScan(t *testing.T) {
	inBubble(t, anchored, func(c *Config) { withScanner(c); c.Scanner.Port = port.Config{} }, func(t *testing.T, b *bench, h port.Handler) {
		if b.scan != nil {
			t.Error("there is a scanner on a port")
		}
		ada := &record.Actor{ID: "07", By: record.ActorPassword}
		for _, c := range []struct {
			raw    string
			others bool
			want   string
		}{{"P-07", false, accepts}, {"P-08", false, refuses}, {"P-08", true, accepts}, {"END", false, accepts}} {
			if _, err := b.Scan(t.Context(), record.ScanRequest{Raw: c.raw, Others: c.others, Actor: ada}); outcome(err) != c.want {
				t.Errorf("%s: %v", c.raw, err)
			}
		}
	})
	b := newBench(t, anchored, nil, nil)
	if err := during(t, b, func(h port.Handler) {
		if _, err := b.Scan(t.Context(), record.ScanRequest{Raw: "x"}); err == nil || !strings.Contains(err.Error(), "No rules say") {
			t.Error(err)
		}
	}); err != nil {
		t.Error(err)
	}
}

func TestScanRulesThatCannotBe(t *testing.T) {
	for says, src := range map[string]string{
		"no application identifier that is known": "rules: [{gs1: {\"99999\": lot}}]",
		"both mean sample":                        "rules: [{gs1: {\"10\": sample, \"21\": sample}}]",
		"says when a sample expires":              "rules: [{gs1: {\"17\": expires}}]",
		"stands beside what only a rule":          "rules: [{gs1: {\"10\": lot}, prefix: x}]",
		"says already what GS1 codes mean":        "rules: [{gs1: {\"10\": lot}}, {gs1: {\"21\": sample}}]",
		"whatever fits no other rule":             "rules: [{gs1: {\"10\": lot}}, {item: sample}]",
		"item is not person":                      "rules: [{prefix: x, item: sample, badge: true}]",
		"beside for or uses":                      "rules: [{prefix: x, item: person, badge: true, uses: 1}]",
		"is about GS1 codes":                      "rules: [{prefix: x, item: sample, separators: true}]",
		"is empty":                                "rules: [{gs1: {}}]",
	} {
		var c ScannerConfig
		doc, faults := strict.Load("x.yaml", []byte(src), &c)
		r := doc.Report()
		c.check(r)
		if faults = append(faults, r.Faults()...); len(faults) == 0 || !strings.Contains(faults.Error(), says) {
			t.Errorf("%s: %v", src, faults)
		}
	}
	for says, src := range map[string]string{"no regular expression": `pattern: "("`, "at most 200": `pattern: "` + strings.Repeat("x", 201) + `"`, "accept, ask, refuse": "unknown: maybe", "out of range": "again_within: 1000h"} {
		var c SamplesConfig
		doc, faults := strict.Load("x.yaml", []byte(src), &c)
		r := doc.Report()
		c.Check(r)
		if faults = append(faults, r.Faults()...); len(faults) == 0 || !strings.Contains(faults.Error(), says) {
			t.Errorf("%s: %v", src, faults)
		}
	}
}
