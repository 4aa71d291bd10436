package samples

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var by = record.Actor{ID: "lims", By: record.ActorAPIKey, Where: "http 127.0.0.1"}

// bench is a room over a real journal.
type bench struct {
	*Room
	journal *journal.Journal
	stop    func()
}

func stamp() record.Stamp { return record.Stamp{UTC: record.UTC(time.Now()), Clock: "unchecked"} }

func open(t *testing.T, j *journal.Journal, dir string) *bench {
	t.Helper()
	b := &bench{Room: New(Options{Dir: dir, Journal: j, Stamp: stamp}), journal: j}
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { b.Run(ctx) })
	b.stop = sync.OnceFunc(func() { cancel(); running.Wait() })
	t.Cleanup(b.stop)
	return b
}

func (b *bench) ready(t *testing.T) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if err := b.view.Reached(ctx, b.journal.Head()); err != nil {
		t.Fatal(err)
	}
}

func (b *bench) announce(t *testing.T, list ...record.Sample) Announced {
	t.Helper()
	a, err := b.Announce(t.Context(), list, "42", by)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func utc(t time.Time) *record.UTC { u := record.UTC(t); return &u }

func TestSamplesAreAnnouncedChangedAndEnded(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	b := open(t, j, dir)
	if a := b.announce(t, record.Sample{ID: "S-1", Lot: "L1"}, record.Sample{ID: "S/2+#", Fields: map[string]string{"box": "B7"}}); a != (Announced{New: 2}) {
		t.Errorf("%+v", a)
	}
	head := j.Head()
	if a := b.announce(t, record.Sample{ID: "S-1", Lot: "L1"}); a != (Announced{Unchanged: 1}) || j.Head() != head {
		t.Errorf("the same once more: %+v, %d entries more", a, j.Head()-head)
	}
	if a := b.announce(t, record.Sample{ID: "S-1", Lot: "L2"}, record.Sample{ID: "S-1", Lot: "L2"}); a != (Announced{Changed: 1}) || j.Head() != head+1 {
		t.Errorf("%+v", a)
	}
	if s, known, ready := b.Sample("S-1"); !known || !ready || s.Lot != "L2" || s.By.ID != "lims" || s.Entry == "" {
		t.Errorf("%+v", s)
	}
	if _, err := b.End(t.Context(), "S-1", "done", by); err != nil {
		t.Error(err)
	}
	if _, err := b.End(t.Context(), "S-1", "done", by); !errors.Is(err, record.ErrNoSample) {
		t.Error(err)
	}
	if _, known, ready := b.Sample("S-1"); known || !ready {
		t.Error("it is known after its end")
	}
	if list, more, _ := b.List("S", "", 10); len(list) != 1 || more || list[0].ID != "S/2+#" {
		t.Errorf("%+v", list)
	}
	entries, err := j.Read(t.Context(), j.Head()-1, 1)
	if err != nil || !strings.Contains(string(entries[0].JSON), `"change":"ended","before":{"id":"S-1","lot":"L2"},"why":"done"`) {
		t.Errorf("%s %v", entries[0].JSON, err)
	}
}

func TestNothingOfABadListIsTaken(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	b := open(t, j, dir)
	head := j.Head()
	for says, list := range map[string][]record.Sample{
		"No sample":         nil,
		"is empty":          {{ID: "S-1"}, {ID: ""}},
		"cannot be seen":    {{ID: "S-1"}, {ID: "S\x1b[2J"}},
		"different things":  {{ID: "S-1", Lot: "a"}, {ID: "S-1", Lot: "b"}},
		"item of its own":   {{ID: "S-1", Fields: map[string]string{"lot": "x"}}},
		"the lot of the sa": {{ID: "S-1", Lot: " x"}},
		"too many":          make([]record.Sample, MostAtOnce+1),
	} {
		var refused *record.SampleRefused
		if _, err := b.Announce(t.Context(), list, "", by); !errors.As(err, &refused) || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", says, err)
		}
	}
	if j.Head() != head || b.Count() != 0 {
		t.Errorf("%d entries, %d samples", j.Head()-head, b.Count())
	}
}

// TestAStartKnowsWhatWasKnown: with what was written down, without it, and with what belongs elsewhere.
func TestAStartKnowsWhatWasKnown(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	b := open(t, j, dir)
	want := record.Sample{ID: "S-1", Lot: "L1", Expires: utc(time.Now().Add(time.Hour).Truncate(time.Second).UTC())}
	b.announce(t, want, record.Sample{ID: "S-2"})
	if _, err := b.End(t.Context(), "S-2", "", by); err != nil {
		t.Fatal(err)
	}
	weighed := time.Now().UTC()
	w := &record.Weighing{Balance: record.Balance{ID: "b-1"}, Context: record.Context{Sample: &record.Learnt{ID: "S-1"}}, Stamp: record.Stamp{UTC: record.UTC(weighed), Clock: "unchecked"}}
	if _, err := j.Append(t.Context(), w); err != nil {
		t.Fatal(err)
	}
	b.ready(t)
	b.stop()
	path := filepath.Join(dir, FileName)
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm()&0o077 != 0 {
		t.Errorf("%v %v", info.Mode(), err)
	}
	for name, file := range map[string]string{
		"as it was written": string(good), "none": "", "half of it": string(good[:len(good)/2]), "another form": `{"form":"x"}`, "rubbish": "\x00\xff",
		"of a longer journal": strings.Replace(string(good), `"seq":`, `"seq":9`, 1),
		"of another journal":  strings.Replace(string(good), `"id":"seed-bank/`, `"id":"north-lab/`, 1),
		"with a bad sample":   strings.Replace(string(good), `"id":"S-1"`, `"id":" "`, 1),
	} {
		os.Remove(path)
		if file != "" {
			if err := os.WriteFile(path, []byte(file), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		again := open(t, j, dir)
		again.ready(t)
		s, known, ready := again.Sample("S-1")
		if _, ended, _ := again.Sample("S-2"); ended || !known || !ready || !s.Sample.Same(&want) || s.By != by {
			t.Errorf("%s: %+v", name, s)
		}
		if at := again.WeighedAt("b-1", "S-1"); !at.Equal(weighed.Truncate(time.Microsecond)) || !again.WeighedAt("b-2", "S-1").IsZero() {
			t.Errorf("%s: weighed %s, want %s", name, at, weighed)
		}
		again.stop()
	}
}

// TestUntilTheJournalIsReadNobodyIsToldThatASampleIsUnknown: the room is not run.
func TestUntilTheJournalIsReadNobodyIsToldThatASampleIsUnknown(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	if _, err := j.Append(t.Context(), &record.SampleAnnounced{Sample: record.Sample{ID: "S-1"}, Change: record.SampleNew, Stamp: stamp()}); err != nil {
		t.Fatal(err)
	}
	r := New(Options{Dir: dir, Journal: j, Stamp: stamp})
	if _, known, ready := r.Sample("S-1"); known || ready {
		t.Error("it says that it knows")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if _, err := r.Announce(ctx, []record.Sample{{ID: "S-2"}}, "", by); err == nil || !strings.Contains(err.Error(), "still being read") {
		t.Error(err)
	}
}

// TestThereIsABound: nothing that has not expired makes room.
func TestThereIsABound(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	b := open(t, j, dir)
	b.announce(t, record.Sample{ID: "old", Expires: utc(time.Now().Add(-time.Hour))}, record.Sample{ID: "older", Expires: utc(time.Now().Add(-2 * time.Hour))})
	b.view.Lock()
	for i := len(b.known); i < Most; i++ {
		id := fmt.Sprint("S-", i)
		b.known[id] = &sample{KnownSample: record.KnownSample{Sample: record.Sample{ID: id}}}
	}
	b.view.Unlock()
	b.announce(t, record.Sample{ID: "new"})
	if _, known, _ := b.Sample("older"); known {
		t.Error("the oldest did not go")
	}
	if _, known, _ := b.Sample("old"); !known || b.Count() != Most {
		t.Errorf("%d known", b.Count())
	}
	var refused *record.SampleRefused
	if _, err := b.Announce(t.Context(), []record.Sample{{ID: "new-2"}, {ID: "new-3"}}, "", by); !errors.As(err, &refused) || b.Count() != Most {
		t.Errorf("%v, %d known", err, b.Count())
	}
}

func TestOneSampleAtTwoBalances(t *testing.T) {
	dir := t.TempDir()
	r := New(Options{Dir: dir, Journal: journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"}), Stamp: stamp})
	now := time.Now()
	for i, c := range []struct {
		balance, sample string
		until           time.Time
		want            []string
	}{
		{"b-1", "S-1", time.Time{}, nil}, {"b-1", "S-1", time.Time{}, nil}, {"b-2", "S-1", now.Add(time.Hour), []string{"b-1"}},
		{"b-1", "", time.Time{}, nil}, {"b-1", "S-1", now.Add(-time.Second), []string{"b-2"}}, {"b-2", "S-2", time.Time{}, nil},
		{"b-2", "S-1", time.Time{}, nil}, // what b-1 held has run out
	} {
		if got := r.Hold(c.balance, c.sample, c.until, now); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%d: %v, want %v", i, got, c.want)
		}
	}
	var wg sync.WaitGroup // of many that take one sample at once, one alone is told of nobody
	alone := make(chan string, 32)
	for i := range 32 {
		wg.Go(func() {
			if b := fmt.Sprint("c-", i); len(r.Hold(b, "S-9", time.Time{}, now)) == 0 {
				alone <- b
			}
		})
	}
	if wg.Wait(); len(alone) != 1 {
		t.Errorf("%d balances took it alone", len(alone))
	}
}
