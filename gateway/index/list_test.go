package index

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

var discard = slog.New(slog.DiscardHandler)

// oracle makes a list the plain way: all entries that match, sorted.
func oracle(entries []record.Entry, f Filter, p Page) []uint64 {
	var list []record.Entry
	for _, e := range entries {
		if f.Match(e) {
			list = append(list, e)
		}
	}
	micros := map[uint64]int64{}
	for _, e := range list {
		micros[e.Seq] = noTime
		if t := FactsOf(e).Time; !t.IsZero() {
			micros[e.Seq] = t.UnixMicro()
		}
	}
	slices.SortStableFunc(list, func(a, b record.Entry) int {
		c := cmp.Compare(a.Seq, b.Seq)
		if p.ByTime {
			c = cmp.Or(cmp.Compare(micros[a.Seq], micros[b.Seq]), c)
		}
		if p.Down {
			c = -c
		}
		return c
	})
	seqs := []uint64{}
	for _, e := range list {
		seqs = append(seqs, e.Seq)
	}
	return seqs
}

// randomFilter asks for things that some entries have.
func randomFilter(r *rand.Rand, m *maker) Filter {
	var f Filter
	some := func(n int) bool { return r.IntN(n) == 0 }
	instant := func() time.Time {
		begin := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
		return begin.Add(time.Duration(r.Int64N(int64(m.at.Sub(begin) + time.Hour)))).Truncate(time.Microsecond)
	}
	if some(3) {
		f.From = instant()
	}
	if some(3) {
		f.To = instant()
	}
	if some(3) {
		all := []record.Kind{record.KindWeighing, record.KindContextChanged, record.KindUnread, record.KindTrailReviewed, record.KindGap, record.KindDamage}
		for range 1 + r.IntN(3) {
			f.Kinds = append(f.Kinds, all[r.IntN(len(all))])
		}
	}
	if some(4) {
		f.Balance = fmt.Sprintf("b-%d", r.IntN(21))
	}
	if some(4) {
		f.Person = fmt.Sprintf("p-%02d", r.IntN(41))
	}
	if some(6) {
		f.Sample = fmt.Sprintf("LOT-%d", r.IntN(601))
	}
	if some(10) {
		f.Method = "TSW"
	}
	if some(10) {
		f.Run = fmt.Sprintf("run-%d", r.IntN(301))
	}
	if some(3) {
		texts := []string{"stable", "AHREN fur", "layout 12", "lot*", "run*", "000* net", fmt.Sprint(r.IntN(600)), fmt.Sprintf("%d.%d*", r.IntN(200), r.IntN(10)), "nowhere", "ttyusb3", "8012*"}
		f.Text = texts[r.IntN(len(texts))]
	}
	if some(10) {
		f.Clock = record.ClockChecked
	}
	if some(6) {
		f.After = r.Uint64N(m.seq)
	}
	if some(6) {
		f.Before = 1 + r.Uint64N(m.seq)
	}
	return f
}

// pages goes through a whole list in pages of random size, up to most.
func pages(t *testing.T, l Lister, f Filter, p Page, most int, r *rand.Rand, between func()) []uint64 {
	t.Helper()
	seqs := []uint64{}
	for range 100_000 {
		p.Limit = 1 + r.IntN(most)
		got, err := l.List(t.Context(), f, p)
		if err != nil {
			t.Fatalf("%s: %v", &f, err)
		}
		if len(got.Entries) > p.Limit {
			t.Fatalf("a page of %d has %d entries", p.Limit, len(got.Entries))
		}
		for _, e := range got.Entries {
			seqs = append(seqs, e.Seq)
		}
		if got.Next == "" {
			return seqs
		}
		p.Cursor = got.Next
		between()
	}
	t.Fatal("the list does not end")
	return nil
}

// small are blocks so small that a short journal has blocks of all sizes. TestMain sets them, except for benchmarks.
var small = []int{64, 512, 1536}

// smallBlocks is for tests that count on them; they run beside each other.
func smallBlocks(t *testing.T) {
	t.Helper()
	t.Parallel()
	needs.That(t, blockSizes[0] == small[0], "blocks that are smaller than the program's, which they are not with -bench")
}

func TestIndexAndJournalGiveTheSameLists(t *testing.T) {
	smallBlocks(t)
	s := seed(t)
	r := rand.New(rand.NewPCG(s, 2))
	m := newMaker(s)
	j := newShelf()
	j.add(m.entries(t, 1536+512+3*64+50)...)
	db := OpenDB(t.TempDir())
	defer db.Close()
	feedAll(t, db, j)
	if covered, err := db.Covers(t.Context(), j); err != nil || covered != 1536+512+3*64 {
		t.Fatalf("the index covers %d entries: %v", covered, err)
	}
	with, without := Lister{Source: j, DB: db}, Lister{Source: j}
	hits, rounds := 0, times(4, 60)
	for i := 0; i < rounds || hits == 0 && i < 60; i++ { // few rounds may all be of filters that find nothing
		f := randomFilter(r, m)
		p := Page{ByTime: r.IntN(2) == 0, Down: r.IntN(2) == 0, Count: true}
		want := oracle(j.entries, f, p)
		hits += min(len(want), 1)
		with.Bytes, without.Bytes = i%2*30_000, r.IntN(2)*100_000
		if with.Bytes > 0 {
			p.Count = i%5 == 0 // a count is made anew for each of the many small pages
		}
		got := pages(t, with, f, p, 1000, r, func() {})
		if !slices.Equal(got, want) {
			t.Fatalf("round %d, %s, %+v: the index gives %d entries, the journal %d", i, &f, p, len(got), len(want))
		}
		p.Limit, p.Count = 5, true
		l, err := with.List(t.Context(), f, p)
		if err != nil || l.Count != uint64(len(want)) || l.Indexed == 0 {
			t.Fatalf("round %d, %s: counted %d, not %d; %v", i, &f, l.Count, len(want), err)
		}
		if i%4 == 0 {
			if got := pages(t, without, f, p, 1000, r, func() {}); !slices.Equal(got, want) {
				t.Fatalf("round %d, %s: without an index %d entries, not %d", i, &f, len(got), len(want))
			}
		}
	}
	if hits == 0 || rounds > 30 && hits < 5 {
		t.Errorf("only %d of %d filters found anything: the test shows little", hits, rounds)
	}
}

// TestPagesDoNotShift: what is appended, and an index that is made anew, between two pages neither repeats nor hides
// anything that was there.
func TestPagesDoNotShift(t *testing.T) {
	s := seed(t)
	r := rand.New(rand.NewPCG(s, 3))
	smallBlocks(t)
	for _, p := range []Page{{}, {Down: true}, {ByTime: true}, {ByTime: true, Down: true}} {
		m := newMaker(s)
		j := newShelf()
		size, step := times(700, 3000), times(70, 300)
		j.add(m.entries(t, size)...)
		db := OpenDB(t.TempDir())
		feedAll(t, db, j)
		f := Filter{Person: "p-07"}
		n := size
		got := pages(t, Lister{Source: j, DB: db}, f, p, 8, r, func() {
			if n < 2*size {
				j.add(m.entries(t, step)...)
				n += step
			}
			if r.IntN(2) == 0 {
				(&Feeder{DB: db}).remove()
			}
			feedAll(t, db, j)
		})
		seen := map[uint64]int{}
		for _, seq := range got {
			seen[seq]++
		}
		for _, seq := range oracle(j.entries[:size], f, p) {
			if seen[seq] != 1 {
				t.Errorf("%+v: entry %d came %d times", p, seq, seen[seq])
			}
		}
		for seq, times := range seen {
			if times > 1 {
				t.Errorf("%+v: entry %d came %d times", p, seq, times)
			}
		}
		db.Close()
	}
}

func TestCursorsAreBound(t *testing.T) {
	j := newShelf()
	j.add(newMaker(1).entries(t, 50)...)
	l := Lister{Source: j}
	got, err := l.List(t.Context(), Filter{}, Page{Limit: 10})
	if err != nil || got.Next == "" {
		t.Fatal(got.Next, err)
	}
	for what, try := range map[string]struct {
		f Filter
		p Page
	}{
		"another filter":    {Filter{Balance: "b-1"}, Page{Cursor: got.Next}},
		"another direction": {Filter{}, Page{Cursor: got.Next, Down: true}},
		"another order":     {Filter{}, Page{Cursor: got.Next, ByTime: true}},
		"rubbish":           {Filter{}, Page{Cursor: "' OR 1=1 --"}},
		"cut":               {Filter{}, Page{Cursor: got.Next[1:]}},
	} {
		try.p.Limit = 10
		if _, err := l.List(t.Context(), try.f, try.p); err != ErrCursor {
			t.Errorf("%s: %v", what, err)
		}
	}
	if again, err := l.List(t.Context(), Filter{}, Page{Limit: 7, Cursor: got.Next}); err != nil || again.Entries[0].Seq != 11 {
		t.Errorf("another limit is no other list: %v", err)
	}
}

// slow is a journal that takes its time.
type slow struct{ *shelf }

func (s slow) Read(ctx context.Context, after uint64, max int) ([]record.Entry, error) {
	time.Sleep(2 * time.Millisecond)
	return s.shelf.Read(ctx, after, max)
}

func TestPatienceMakesShortPagesAndLosesNothing(t *testing.T) {
	j := newShelf()
	m := newMaker(5)
	j.add(m.entries(t, 3000)...)
	l := Lister{Source: slow{j}, Patience: time.Millisecond}
	for _, down := range []bool{false, true} {
		p, f := Page{Limit: 1000, Down: down}, Filter{Person: "p-03"}
		var got []uint64
		rounds := 0
		for ; ; rounds++ {
			page, err := l.List(t.Context(), f, p)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range page.Entries {
				got = append(got, e.Seq)
			}
			if p.Cursor = page.Next; page.Next == "" {
				break
			}
		}
		if want := oracle(j.entries, f, p); !slices.Equal(got, want) || rounds < 5 {
			t.Errorf("down %v: %d entries in %d pages, not %d", down, len(got), rounds, len(want))
		}
	}
	if _, err := l.List(t.Context(), Filter{}, Page{Limit: 10, ByTime: true}); err != ErrBehind {
		t.Errorf("an order by time without time for it: %v", err)
	}
	if _, err := l.List(t.Context(), Filter{}, Page{Limit: 10, Count: true}); err != ErrBehind {
		t.Errorf("a count without time for it: %v", err)
	}
}
