package authority

import (
	"context"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/gateway/timestamp/tsatest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func stamp() record.Stamp {
	bound := record.Span(200 * time.Millisecond)
	return record.Stamp{UTC: record.UTC(time.Now()), Zone: "+00:00", Bound: &bound, Clock: record.ClockChecked}
}

// keeper is one over a real journal.
func keeper(t *testing.T, cfg *Config) (*Keeper, Journal) {
	t.Helper()
	j := journaltest.Open(t, journal.Options{})
	return &Keeper{Journal: j, Config: func() Config { return *cfg }, Stamp: stamp, Health: health.New(time.Now), Log: slog.New(slog.DiscardHandler)}, j
}

// act records one more entry.
func act(t *testing.T, j Journal) {
	t.Helper()
	if _, err := j.Append(t.Context(), &record.Lifecycle{Started: true, Stamp: stamp()}); err != nil {
		t.Fatal(err)
	}
}

func stamped(t *testing.T, j Journal) (list []record.Timestamped) {
	t.Helper()
	entries, err := j.Read(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		var one record.Timestamped
		if e.Kind != record.KindTimestamped {
			continue
		}
		if err := json.Unmarshal(e.JSON, &one); err != nil {
			t.Fatal(err)
		}
		list = append(list, one)
	}
	return list
}

// TestTheHeadIsTimestampedAndOpenSSLVerifiesWhatIsStored: outside check: `openssl ts -verify` over the stored note and token.
func TestTheHeadIsTimestampedAndOpenSSLVerifiesWhatIsStored(t *testing.T) {
	a := tsatest.Start(t)
	k, j := keeper(t, &Config{URL: a.URL + "?key=hidden", CAFile: a.CA})
	act(t, j)
	act(t, j)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); k.Run(ctx) }()
	for limit := time.Now().Add(20 * time.Second); len(stamped(t, j)) == 0; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("nothing is time-stamped: %+v", k.Health.List())
		}
	}
	cancel()
	<-done
	e := stamped(t, j)[0]
	if e.Size != 2 || e.Authority != "Seed bank tsa" || e.Policy != tsatest.Policy || e.URL != a.URL || e.By.By != record.ActorSchedule ||
		!strings.Contains(e.Checkpoint, "\n2\n") || e.Accuracy == nil || time.Duration(*e.Accuracy) != 1500100*time.Microsecond {
		t.Errorf("%+v", e)
	}
	a.Write("note", []byte(e.Checkpoint))
	a.Write("token.der", e.Token)
	if out := a.Run("ts", "-verify", "-data", "note", "-in", "token.der", "-token_in", "-CAfile", a.CA); !strings.Contains(out, "Verification: OK") {
		t.Errorf("openssl does not verify it: %s", out)
	}
	a.Write("note", append([]byte(e.Checkpoint), '\n'))
	if out, err := a.Try("ts", "-verify", "-data", "note", "-in", "token.der", "-token_in", "-CAfile", a.CA); err == nil {
		t.Errorf("openssl verifies it over other bytes: %s", out)
	}
}

// TestItIsAskedWhenTheHeadMovedAndTheTimeHasPassed: and what is already time-stamped is not asked for again, also after a restart.
func TestItIsAskedWhenTheHeadMovedAndTheTimeHasPassed(t *testing.T) {
	a := tsatest.Start(t)
	cfg := Config{URL: a.URL, CAFile: a.CA}
	k, j := keeper(t, &cfg)
	now := time.Now()
	if k.due(cfg, now) {
		t.Error("an empty journal is due")
	}
	act(t, j)
	if !k.due(cfg, now) {
		t.Error("the first entries are not due")
	}
	k.round(t.Context(), cfg)
	day := 25 * time.Hour
	if k.due(cfg, now.Add(day)) {
		t.Error("it is due, and nothing but its own entry came")
	}
	act(t, j)
	if k.due(cfg, now.Add(23*time.Hour)) || !k.due(cfg, now.Add(day)) {
		t.Error("it is not due once a day has passed, or before")
	}
	again := *k
	again.last, again.when = 0, time.Time{}
	if err := again.find(t.Context()); err != nil || again.last != k.last || again.when.Sub(k.when).Abs() > 5*time.Second {
		t.Errorf("after a restart: %v, %d at %v, want %d at %v", err, again.last, again.when, k.last, k.when)
	}
	if len(stamped(t, j)) != 1 || a.Asked() != 1 {
		t.Errorf("%d entries, asked %d times", len(stamped(t, j)), a.Asked())
	}
}

// TestWhatGoesWrongIsAConditionAndTriedAgainLater: recording goes on meanwhile, and the condition ends when it works.
func TestWhatGoesWrongIsAConditionAndTriedAgainLater(t *testing.T) {
	a := tsatest.Start(t)
	a.Answer = func([]byte) []byte { return []byte("garbage") }
	cfg := Config{URL: a.URL, CAFile: a.CA}
	k, j := keeper(t, &cfg)
	act(t, j)
	var pauses []time.Duration
	for range 8 {
		k.round(t.Context(), cfg)
		pauses = append(pauses, k.pause)
		if k.due(cfg, time.Now()) {
			t.Error("it is tried again at once")
		}
	}
	if pauses[0] != time.Minute || pauses[1] != 2*time.Minute || pauses[7] != time.Hour {
		t.Errorf("%v", pauses)
	}
	c := k.Health.List()
	if len(c) != 1 || c[0].Code != health.TimestampFailed || !strings.Contains(c[0].Sentence, "is no time-stamp response") || !strings.Contains(c[0].Remedy, "ca_file") {
		t.Errorf("%+v", c)
	}
	act(t, j)
	a.Change(func(a *tsatest.Authority) { a.Answer = nil })
	k.round(t.Context(), cfg)
	if c := k.Health.List(); len(c) != 0 || k.pause != 0 || len(stamped(t, j)) != 1 {
		t.Errorf("%+v, %v", c, k.pause)
	}
	cfg.CAFile = filepath.Join(t.TempDir(), "none.pem")
	k.round(t.Context(), cfg)
	if c := k.Health.List(); len(c) != 1 || !strings.Contains(c[0].Sentence, os.ErrNotExist.Error()) && !strings.Contains(c[0].Sentence, "no such file") {
		t.Errorf("%+v", c)
	}
}
