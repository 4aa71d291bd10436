package clock

import (
	"cmp"
	"slices"
	"time"
)

// interval is where the true offset lies according to one server, or to several: nanoseconds between UTC and the raw clock.
type interval struct{ low, high int64 }

func (i interval) covers(o interval) bool { return i.low <= o.low && o.high <= i.high }

// agreement is what a majority says.
type agreement struct {
	most  interval      // the lowest of the intervals that most servers cover
	count int           // how many cover it
	mid   int64         // its midpoint
	half  time.Duration // how far from mid the true offset may be as long as a minority lies
}

// edge is one end of an interval. At the same value a lower end comes first, so that intervals that touch meet.
type edge struct {
	at   int64
	step int // +1 at a lower end, -1 at an upper one
}

func edges(all []interval) []edge {
	list := make([]edge, 0, 2*len(all))
	for _, i := range all {
		list = append(list, edge{i.low, +1}, edge{i.high, -1})
	}
	slices.SortFunc(list, func(x, y edge) int { return cmp.Or(cmp.Compare(x.at, y.at), cmp.Compare(y.step, x.step)) })
	return list
}

// mostAgreed gives the first interval that is covered by most of them, and by how many (Marzullo's rule).
func mostAgreed(all []interval) (best interval, count int) {
	covering, list := 0, edges(all)
	for i, e := range list {
		if covering += e.step; covering > count {
			count, best = covering, interval{e.at, list[i+1].at} // after a new highest count the next edge is an upper end
		}
	}
	return best, count
}

// reach gives the outermost points that at least so many of the intervals cover.
func reach(all []interval, least int) (outer interval, ok bool) {
	covering := 0
	for _, e := range edges(all) {
		before := covering
		covering += e.step
		if !ok && covering >= least {
			outer.low, ok = e.at, true
		}
		if before >= least && covering < least {
			outer.high = e.at
		}
	}
	return outer, ok
}

// agree says what a majority of the n configured servers agrees on, given the intervals of those that answered; false if
// there is none. See the package comment for the rule and for why the bound is wider than the agreed interval.
func agree(n int, answered []interval) (agreement, bool) {
	most, count := mostAgreed(answered)
	if 2*count <= n {
		return agreement{}, false
	}
	liars := (n - 1) / 2
	outer, _ := reach(answered, max(len(answered)-liars, 1))
	mid := most.low + (most.high-most.low)/2
	return agreement{most: most, count: count, mid: mid, half: time.Duration(max(mid-outer.low, outer.high-mid))}, true
}
