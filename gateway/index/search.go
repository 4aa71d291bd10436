package index

import (
	"cmp"
	"slices"
	"strings"
)

// place is where an entry stands in an order.
type place struct {
	micros int64 // 0 where the order is by sequence
	seq    uint64
}

func (p place) compare(q place) int {
	return cmp.Or(cmp.Compare(p.micros, q.micros), cmp.Compare(p.seq, q.seq))
}

// lookup is a term that is asked for.
type lookup struct {
	term   []byte
	prefix bool
}

// plan is a filter made ready for blocks: every group has to be met, each by one of its lookups.
type plan struct {
	groups        [][]lookup
	timed         bool
	from, to      int64
	after, before uint64
}

// fewFirst orders ids by how many entries have one of them.
var fewFirst = string([]byte{isSample, isRun, isLot, isPerson, isBalance, isMethod, isClock})

// plan puts what few entries have first: where a block has none of them, nothing else is looked up in it.
func (f *Filter) plan() plan {
	p := plan{after: f.After, before: f.Before, timed: !f.From.IsZero() || !f.To.IsZero()}
	p.from, p.to = f.span()
	fields := f.fields()
	slices.SortStableFunc(fields, func(a, b field) int {
		return cmp.Compare(strings.IndexByte(fewFirst, a.what), strings.IndexByte(fewFirst, b.what))
	})
	for _, want := range fields {
		p.groups = append(p.groups, []lookup{{appendTerm(nil, want.what, []byte(want.value)), false}})
	}
	for _, w := range wanted(f.Text) {
		p.groups = append(p.groups, []lookup{{appendTerm(nil, isWord, []byte(w.word)), w.prefix}})
	}
	if len(f.Kinds) > 0 {
		var any []lookup
		for _, k := range f.Kinds {
			any = append(any, lookup{appendTerm(nil, isKind, []byte(k)), false})
		}
		p.groups = append(p.groups, any)
	}
	return p
}

// may says whether a block can hold anything that is wanted, as far as can be said without looking into it.
func (p *plan) may(b block) bool {
	if b.last <= p.after || p.before > 0 && b.first >= p.before {
		return false
	}
	return !p.timed || b.latest >= p.from && b.earliest < p.to
}

// look gives the entries of a block that are wanted, or nil where there are none.
func (s *store) look(b block, p *plan) (set, error) {
	if !p.may(b) {
		return nil, nil
	}
	n := b.size()
	have, one := newSet(n), newSet(n)
	have.fill(n)
	for _, group := range p.groups {
		clear(one)
		for _, l := range group {
			if err := s.find(b, l.term, l.prefix, one); err != nil {
				return nil, err
			}
		}
		if !have.and(one) {
			return nil, nil
		}
	}
	for i := 0; i < n && b.first+uint64(i) <= p.after; i++ {
		have.drop(i)
	}
	for i := n - 1; p.before > 0 && i >= 0 && b.first+uint64(i) >= p.before; i-- {
		have.drop(i)
	}
	if p.timed {
		if err := s.inTime(b, have, p.from, p.to); err != nil {
			return nil, err
		}
	}
	return have, nil
}

// bySeq gives the first n wanted entries in the order of their sequence.
func (s *store) bySeq(blocks []block, p plan, down bool, n int) ([]place, error) {
	var list []place
	for i := range blocks {
		b := blocks[i]
		if down {
			b = blocks[len(blocks)-1-i]
		}
		have, err := s.look(b, &p)
		if err != nil {
			return nil, err
		}
		have.each(down, func(i int) bool {
			list = append(list, place{seq: b.first + uint64(i)})
			return len(list) < n
		})
		if len(list) >= n {
			break
		}
	}
	return list, nil
}

// best keeps the first n places of an order by time.
type best struct {
	n    int
	down bool
	from *place // only what comes after it
	list []place
}

func (b *best) order(p, q place) int {
	if b.down {
		return q.compare(p)
	}
	return p.compare(q)
}

func (b *best) offer(p place) {
	if b.from != nil && b.order(p, *b.from) <= 0 {
		return
	}
	if len(b.list) == b.n && b.order(p, b.list[b.n-1]) >= 0 {
		return
	}
	at, _ := slices.BinarySearchFunc(b.list, p, b.order)
	if len(b.list) == b.n {
		b.list = b.list[:b.n-1]
	}
	b.list = slices.Insert(b.list, at, p)
}

// hopeless says whether nothing that reaches so far can come among the first any more, or was before the place to begin at.
func (b *best) hopeless(s span) (this, rest bool) {
	near, far := place{s.earliest, 0}, place{s.latest, 1<<64 - 1}
	if b.down {
		near, far = place{s.latest, 1<<64 - 1}, place{s.earliest, 0}
	}
	if len(b.list) == b.n && b.order(near, b.list[b.n-1]) > 0 {
		return true, true
	}
	return b.from != nil && b.order(far, *b.from) <= 0, false
}

// byTime offers the wanted entries of the blocks, those blocks first that reach nearest to the beginning of the order.
func (s *store) byTime(blocks []block, p plan, top *best) error {
	blocks = slices.Clone(blocks)
	slices.SortFunc(blocks, func(a, b block) int {
		if top.down {
			return cmp.Compare(b.latest, a.latest)
		}
		return cmp.Compare(a.earliest, b.earliest)
	})
	for _, b := range blocks {
		this, rest := top.hopeless(span{b.earliest, b.latest})
		if rest {
			return nil
		}
		if this {
			continue
		}
		have, err := s.look(b, &p)
		if err != nil {
			return err
		}
		if have.count() == 0 {
			continue
		}
		if err := s.offer(b, have, top); err != nil {
			return err
		}
	}
	return nil
}

// count is how many entries of the blocks are wanted.
func (s *store) count(blocks []block, p plan) (uint64, error) {
	n := uint64(0)
	for _, b := range blocks {
		have, err := s.look(b, &p)
		if err != nil {
			return 0, err
		}
		n += uint64(have.count())
	}
	return n, nil
}
