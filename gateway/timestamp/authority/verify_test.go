package authority

import (
	"context"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/timestamp/tsatest"
)

// TestVerifyHoldsTimestampsAgainstTheTree: what is stored is over a checkpoint of this very journal, or it is named.
func TestVerifyHoldsTimestampsAgainstTheTree(t *testing.T) {
	a, stranger := tsatest.Start(t), tsatest.Start(t)
	roots, err := Roots(a.CA)
	if err != nil {
		t.Fatal(err)
	}
	strangers, err := Roots(stranger.CA)
	if err != nil {
		t.Fatal(err)
	}
	type forge func(e *record.Timestamped, j, other *journal.Journal)
	over := func(e *record.Timestamped, j *journal.Journal) { // an honest token over another note
		size, note, err := j.Checkpoint(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		token, err := Ask(t.Context(), Config{URL: a.URL, CAFile: a.CA}, note, stamp)
		if err != nil {
			t.Fatal(err)
		}
		s := e.Stamp
		*e = *EntryOf(token, size, note)
		e.Stamp = s
	}
	for _, c := range []struct {
		what  string
		forge forge
		trust *journal.VerifyOption
		want  string // "": no fault
	}{
		{what: "nothing wrong"},
		{what: "by an authority that is trusted", trust: ptr(journal.TrustTimestamps(roots))},
		{what: "by another authority", trust: ptr(journal.TrustTimestamps(strangers)), want: "no authority that is trusted here vouches for its certificate"},
		{what: "the checkpoint replaced", forge: func(e *record.Timestamped, _, _ *journal.Journal) {
			e.Checkpoint = strings.Replace(e.Checkpoint, "\n1\n", "\n2\n", 1)
		}, want: "the checkpoint beside the time-stamp is not the one that was stamped"},
		{what: "of another journal", forge: func(e *record.Timestamped, _, other *journal.Journal) { over(e, other) },
			want: "the first 1 entries are not those that were time-stamped at"},
		{what: "another size", forge: func(e *record.Timestamped, _, _ *journal.Journal) { e.Size = 7 },
			want: "the time-stamp says that it covers 7 entries, and its checkpoint 1"},
		{what: "another time", forge: func(e *record.Timestamped, _, _ *journal.Journal) {
			e.GenTime = record.UTC(e.GenTime.Time().Add(-time.Hour))
		}, want: "and the entry says"},
		{what: "no token", forge: func(e *record.Timestamped, _, _ *journal.Journal) { e.Token = []byte("none") },
			want: "the time-stamp token cannot be taken: it is no signed data"},
	} {
		dir := t.TempDir()
		j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "seed-bank"})
		if err != nil {
			t.Fatal(err)
		}
		other, err := journal.Open(t.Context(), journal.Options{Dir: t.TempDir(), Site: "seed-bank"})
		if err != nil {
			t.Fatal(err)
		}
		act(t, j)
		act(t, other)
		e := &record.Timestamped{}
		over(e, j)
		e.Stamp = stamp()
		if c.forge != nil {
			c.forge(e, j, other)
		}
		if _, err := j.Append(t.Context(), e); err != nil {
			t.Fatal(err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if err := other.Close(); err != nil {
			t.Fatal(err)
		}
		var more []journal.VerifyOption
		if c.trust != nil {
			more = append(more, *c.trust)
		}
		r, err := journal.Verify(context.WithoutCancel(t.Context()), dir, "", nil, more...)
		if err != nil {
			t.Fatal(err)
		}
		text := r.Text()
		if c.want == "" {
			if !r.Verified || r.Time.Outside.Covers != 1 || r.Time.Outside.Signatures != (c.trust != nil) ||
				!strings.Contains(text, "time-stamps: 1, the last by Seed bank tsa at ") || !strings.Contains(text, " covers 1 entries; signatures ") {
				t.Errorf("%s: %s", c.what, text)
			}
			continue
		}
		if r.Verified || len(r.Faults) != 1 || r.Faults[0].Kind != journal.FaultTime || r.Faults[0].Seq != 2 || !strings.Contains(r.Faults[0].What, c.want) ||
			!strings.Contains(text, "1 time-stamps, and none of them holds") {
			t.Errorf("%s: want %q:\n%s", c.what, c.want, text)
		}
	}
}

func ptr[T any](v T) *T { return &v }

// TestVerifyTellsWhichEntriesHadAnUncheckedClock: by sequence, also where there are many spans.
func TestVerifyTellsWhichEntriesHadAnUncheckedClock(t *testing.T) {
	dir := t.TempDir()
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	put := func(state string, times int) {
		var bodies []record.Body
		for range times {
			s := stamp()
			s.Clock = state
			bodies = append(bodies, &record.Lifecycle{Started: true, Stamp: s, Software: record.Software{Version: `"clock":"unchecked"`}})
		}
		if _, err := j.Append(t.Context(), bodies...); err != nil {
			t.Fatal(err)
		}
	}
	put(record.ClockUnchecked, 3)
	put(record.ClockChecked, 2)
	put(record.ClockHoldover, 1)
	put(record.ClockUnchecked, 2)
	if _, err := j.Append(t.Context(), &record.ClockCorrected{From: 1, To: 3, Clock: record.ClockUnchecked, Stamp: stamp()}); err != nil {
		t.Fatal(err)
	}
	for range 110 {
		put(record.ClockHoldover, 2)
		put(record.ClockChecked, 1)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := journal.Verify(t.Context(), dir, "", nil)
	if err != nil || !r.Verified {
		t.Fatal(err, r.Text())
	}
	if u := r.Time.Unchecked; u.Entries != 5 || len(u.Spans) != 2 || u.Spans[0] != (journal.ClockRun{From: 1, To: 3}) || u.Spans[1] != (journal.ClockRun{From: 7, To: 8}) {
		t.Errorf("%+v", u)
	}
	if h := r.Time.Holdover; h.Entries != 221 || len(h.Spans) != 100 || h.More != 11 || h.Spans[99].To != h.Spans[99].From+1 {
		t.Errorf("%+v", h)
	}
	for _, want := range []string{"clock unchecked 5 entries: 1 to 3, 7 to 8\n", "clock holdover  221 entries: 6, 10 to 11,", " and 101 more spans\n", "clock corrected 1 entries"} {
		if !strings.Contains(r.Text(), want) {
			t.Errorf("the report lacks %q:\n%s", want, r.Text())
		}
	}
}
