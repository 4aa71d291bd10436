package secret

import (
	"container/list"
	"crypto/sha256"
	"net/netip"
	"time"
)

// digest stands for a name or an address: all are of one size, however long what was sent.
type digest [16]byte

func digestOf(parts ...string) digest {
	h := sha256.New()
	for _, p := range parts {
		sum := sha256.Sum256([]byte(p))
		h.Write(sum[:])
	}
	return digest(h.Sum(nil)[:16])
}

// network gives what of an address counts: of IPv6 the first 64 bits, because one customer has all that follow.
func network(address string) string {
	ip, err := netip.ParseAddr(address)
	if err != nil {
		return address
	}
	ip = ip.Unmap().WithZone("")
	if ip.Is6() {
		if p, err := ip.Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}

// rule says what failures of an account lead to. The zero rule locks nothing.
type rule struct {
	after int           // so many lock it, and so many more again; 0: never
	span  time.Duration // for so long; 0: until somebody unlocks it
}

func (c LockConfig) rule(w Way) rule {
	switch w {
	case Password:
		r := rule{after: orElse(c.After, 20), span: c.For.D()}
		if r.span == 0 {
			r.span = 15 * time.Minute
		}
		if c.UntilUnlocked {
			r.span = 0
		}
		return r
	case PIN:
		return rule{after: orElse(c.PINAfter, 10)}
	}
	return rule{}
}

func orElse(n, other int) int {
	if n == 0 {
		return other
	}
	return min(n, mostFailures)
}

// locks says whether so many failures are as many as lock.
func (r rule) locks(failed int) bool {
	return r.after > 0 && failed > 0 && (failed%r.after == 0 || failed >= mostFailures)
}

// next gives the count that locks next, after so many failures.
func (r rule) next(failed int) int {
	return min((failed/r.after+1)*r.after, mostFailures)
}

// ahead says how many failures may be written that did not happen: fewer than lock.
func (r rule) ahead() int {
	if r.after == 0 {
		return 0
	}
	return min(ahead, r.next(0)-1)
}

// until gives the end of a lock that begins now, as a mark keeps it.
func (r rule) until(failed int, now time.Time) int64 {
	if r.span == 0 || failed >= mostFailures {
		return forGood
	}
	return now.Add(r.span).Unix() + 1
}

// account is what is counted of an account, or of a name that nobody has.
type account struct {
	known   bool
	failed  int   // in a row
	pending int   // being looked at: they count as failed until they are not
	until   int64 // as in a mark
	wrote   mark  // what the file says: as much as failed and pending together, or more
}

// blocked says why an attempt at the account is not looked at, or nil.
func (a *account) blocked(r rule, now time.Time) *Blocked {
	if a.until == forGood {
		return &Blocked{Locked: true}
	}
	if left := time.Unix(a.until, 0).Sub(now); a.until > 0 && left > 0 {
		return &Blocked{Locked: true, After: left}
	}
	if r.after > 0 && a.failed+a.pending >= r.next(a.failed) {
		return &Blocked{After: time.Second} // one of those that are being looked at may be the last
	}
	return nil
}

// place is how long an address, or a pair of account and address, has to wait.
type place struct {
	failures int
	next     time.Time // no attempt is looked at before
	since    time.Time // of the last failure

	free    int           // failures that cost nothing
	longest time.Duration // a wait is never longer
	forgets time.Duration // one failure is forgotten after each such time without another
}

// wait says how long it has to wait.
func (p *place) wait(now time.Time) time.Duration {
	for p.failures > 0 && now.Sub(p.since) >= p.forgets {
		p.failures, p.since = p.failures-1, p.since.Add(p.forgets)
	}
	return max(0, min(p.next.Sub(now), p.longest)) // never longer, though the clock was set back
}

// fail counts a failure: after the free ones, each doubles the wait, from a second on.
func (p *place) fail(now time.Time) {
	p.failures, p.since = p.failures+1, now
	if over := p.failures - p.free; over > 0 {
		p.next = now.Add(min(time.Second<<min(over-1, 20), p.longest))
	}
}

// forgive takes back what fail counted last.
func (p *place) forgive() { p.failures, p.next = max(0, p.failures-1), time.Time{} }

// recent is a table that forgets what was not used for longest.
type recent[V any] struct {
	most  int
	at    map[digest]*list.Element
	order *list.List // most recently used first
}

type slot[V any] struct {
	key   digest
	value V
}

func newRecent[V any](most int) *recent[V] {
	return &recent[V]{most: most, at: map[digest]*list.Element{}, order: list.New()}
}

// find gives a value, and counts as use.
func (r *recent[V]) find(key digest) (v V, ok bool) {
	e, ok := r.at[key]
	if !ok {
		return v, false
	}
	r.order.MoveToFront(e)
	return e.Value.(*slot[V]).value, true
}

// get gives a value, which it makes where there is none.
func (r *recent[V]) get(key digest, make func() V) V {
	if v, ok := r.find(key); ok {
		return v
	}
	v := make()
	r.put(key, v)
	return v
}

func (r *recent[V]) put(key digest, v V) {
	r.at[key] = r.order.PushFront(&slot[V]{key, v})
	if r.order.Len() > r.most {
		last := r.order.Back()
		delete(r.at, last.Value.(*slot[V]).key)
		r.order.Remove(last)
	}
}

func (r *recent[V]) drop(key digest) {
	if e, ok := r.at[key]; ok {
		delete(r.at, key)
		r.order.Remove(e)
	}
}

func (r *recent[V]) all(f func(digest, V)) {
	for e := r.order.Back(); e != nil; e = e.Prev() {
		s := e.Value.(*slot[V])
		f(s.key, s.value)
	}
}
