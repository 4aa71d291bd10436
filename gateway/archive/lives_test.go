package archive

import (
	"context"
	"fmt"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

// livesAndKeysOfARealJournal: a journal changes its key, and then its disk is put into another computer, where it goes on as another life under
// a key of its own. Only the first key is configured: the archive follows what each key vouched for.
func livesAndKeysOfARealJournal(t *testing.T, p *place) {
	dir, ctx := t.TempDir(), within(t, time.Minute)
	open := func(machine string) *journal.Journal {
		j, err := journal.Open(ctx, journal.Options{Dir: dir, Site: "north-lab", Machine: func() string { return machine }})
		if err != nil {
			t.Fatal(err)
		}
		return j
	}
	j := open("computer-a")
	first := j.Incarnation()
	g := (&gateway{site: "north-lab", incarnation: first, public: j.PublicKey()}).connect(t, p.urls, p.name, p.replicas)
	cfg := p.config(t, g)
	instance(t, cfg)
	r := p.reader(t, cfg)
	at := uint64(0)
	hand := func() { // as package deliver does
		entries, err := j.Read(ctx, at, 1000)
		if err != nil {
			t.Fatal(err)
		}
		g.deliver(ctx, t, entries)
		at = entries[len(entries)-1].Seq
		_, signed, err := j.Checkpoint(ctx)
		if err != nil {
			t.Fatal(err)
		}
		g.head(ctx, t, signed)
	}
	weighSome(ctx, t, j, 300)
	hand()
	until(t, r, originOf("north-lab", first), 20*time.Second, "the first key holds", cosignedTo(300))
	by := record.Actor{ID: "mbe", By: record.ActorSoftware}
	if _, err := j.RotateKey(ctx, journal.Rotation{Reason: "once a year", By: by, Stamp: stampNow()}); err != nil {
		t.Fatal(err)
	}
	weighSome(ctx, t, j, 10)
	hand()
	until(t, r, originOf("north-lab", first), 20*time.Second, "the second key holds", cosignedTo(311))
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open("computer-b")
	t.Cleanup(func() {
		_ = j.Close()
		journaltest.Verify(t, dir)
	})
	second := j.Incarnation()
	if second == first {
		t.Fatal("the journal did not begin another life")
	}
	weighSome(ctx, t, j, 300)
	hand()
	life := until(t, r, originOf("north-lab", second), 20*time.Second, "the second life is co-signed", cosignedTo(613))
	if life.First != 312 || life.Before != first || life.State != StateVerified {
		t.Errorf("%+v", life)
	}
	// What an auditor does: the journal on the disk is held against the checkpoint that the archive gave.
	report, err := journal.Verify(ctx, dir, "", nil, journal.Against(journal.Held{Where: "the archive", Note: []byte(life.Checkpoint)}))
	if err != nil || !report.Verified {
		t.Errorf("%v: %s", err, report.Text())
	}
}

func stampNow() record.Stamp {
	return record.Stamp{UTC: record.UTC(time.Now().UTC()), Zone: "+00:00", Clock: record.ClockUnchecked}
}

func weighSome(ctx context.Context, t *testing.T, j *journal.Journal, n int) {
	t.Helper()
	bodies := make([]record.Body, n)
	for i := range bodies {
		bodies[i] = &record.Weighing{Balance: record.Balance{ID: "b-1"}, Value: record.Value{Digits: fmt.Sprintf("%d.5", i), Unit: "g", Kind: "net",
			Stability: "stable", Range: "in"}, Frame: []byte("N\r\n"), Trigger: "printed", Port: "sim", Stamp: stampNow()}
	}
	if _, err := j.Append(ctx, bodies...); err != nil {
		t.Fatal(err)
	}
}

// searchesAndPages: what a console asks for. Turning pages meets every entry once, also while others come.
func searchesAndPages(t *testing.T, p *place) {
	g, r, _ := begun(t, p, true)
	ctx := within(t, time.Minute)
	g.deliver(ctx, t, g.weigh(t, 230))
	g.head(ctx, t, g.checkpoint(t, 240))
	until(t, r, "weighpost/north-lab/7qx3a", 20*time.Second, "240 are co-signed", cosignedTo(240))
	count := func(f Filter) (n int) {
		t.Helper()
		seen := map[string]bool{}
		var before *Place
		for {
			page, err := r.Entries(ctx, f, before, 37)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range page {
				if seen[e.ID] || before != nil && e.At.After(before.At) {
					t.Fatalf("%s comes twice, or out of order", e.ID)
				}
				seen[e.ID] = true
			}
			if len(page) < 37 {
				return len(seen)
			}
			last := page[len(page)-1].Place()
			before = &last
		}
	}
	for _, c := range []struct {
		f    Filter
		want int
	}{
		{Filter{}, 250}, {Filter{Site: "north-lab"}, 250}, {Filter{Site: "south-lab"}, 0}, {Filter{Balance: "b-1"}, 83}, {Filter{Sample: "LOT-0003"}, 10},
		{Filter{Person: "p-0"}, 125}, {Filter{Run: "run-2"}, 51}, {Filter{Kinds: []string{"weighing"}, Balance: "b-2", Person: "p-1"}, 42},
		{Filter{Kinds: []string{"result"}}, 0}, {Filter{From: g.began.Add(10 * time.Second), To: g.began.Add(20 * time.Second)}, 10},
		{Filter{Incarnation: "7qx3a", Method: "none"}, 0},
	} {
		if got := count(c.f); got != c.want {
			t.Errorf("%+v: %d entries, and there are %d", c.f, got, c.want)
		}
	}
	e, err := r.Entry(ctx, g.entries[239].ID)
	if err != nil || !e.Verified || !e.Cosigned || e.Seq != 240 || e.Digits != "70.240" || e.Sample != "LOT-0024" || e.Site != "north-lab" {
		t.Errorf("%v: %+v", err, e)
	}
	if e, err = r.Entry(ctx, g.entries[240].ID); err != nil || e.Verified || e.Cosigned {
		t.Errorf("%v: %+v", err, e)
	}
	if _, err := r.Entry(ctx, "north-lab/7qx3a/b-1/999999"); err != ErrNone {
		t.Errorf("%v", err)
	}
	if got := p.sql(t, p.name, "SELECT value::text FROM archive.weighings WHERE id = $1", g.entries[239].ID); len(got) != 1 || got[0] != "70.240" {
		t.Errorf("%q", got)
	}
}
