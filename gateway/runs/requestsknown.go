package runs

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// requestsKnown are the requests of lab systems.
type requestsKnown struct {
	by    map[record.RequestRef]*Request
	ended []record.RequestRef // of those, in the order in which they ended
	gone  gone
}

func newRequests() requestsKnown {
	return requestsKnown{by: map[record.RequestRef]*Request{}, gone: gone{there: map[string]bool{}}}
}

// end notes that a request has ended, and forgets of the oldest all but that it came.
func (k *requestsKnown) end(ref record.RequestRef) {
	k.ended = append(k.ended, ref)
	for len(k.ended) > mostDone {
		k.gone.add(k.ended[0])
		delete(k.by, k.ended[0])
		k.ended = slices.Delete(k.ended, 0, 1)
	}
}

// keptRequests are they as the snapshot has them.
type keptRequests struct {
	Open  []*Request `json:"open"`
	Ended []*Request `json:"ended"` // in the order in which they ended
	Gone  []string   `json:"gone"`
}

// MarshalJSON writes them down.
func (k requestsKnown) MarshalJSON() ([]byte, error) {
	kept := keptRequests{Open: []*Request{}, Ended: []*Request{}, Gone: k.gone.order}
	for _, q := range k.by {
		if q.open() {
			kept.Open = append(kept.Open, q)
		}
	}
	slices.SortFunc(kept.Open, func(a, b *Request) int { return cmp.Compare(a.Seq, b.Seq) })
	for _, ref := range k.ended {
		kept.Ended = append(kept.Ended, k.by[ref])
	}
	return json.Marshal(kept)
}

// UnmarshalJSON reads them, or says that they cannot be what was written.
func (k *requestsKnown) UnmarshalJSON(b []byte) error {
	var kept keptRequests
	if err := json.Unmarshal(b, &kept); err != nil {
		return err
	}
	*k = newRequests()
	for i, q := range append(slices.Clone(kept.Open), kept.Ended...) {
		if q == nil || q.From == "" || q.ID == "" || q.open() != (i < len(kept.Open)) || k.by[q.RequestRef] != nil {
			return errors.New("it holds a request that cannot be one")
		}
		k.by[q.RequestRef] = q
		if !q.open() {
			k.ended = append(k.ended, q.RequestRef)
		}
	}
	for _, key := range kept.Gone {
		k.gone.put(key)
	}
	return nil
}

// gone knows of requests no more than that they came.
type gone struct {
	there map[string]bool
	order []string // oldest first
}

func goneKey(ref record.RequestRef) string {
	sum := sha256.Sum256([]byte(ref.From + "\x00" + ref.ID))
	return base64.RawStdEncoding.EncodeToString(sum[:15]) // 120 bits
}

func (g *gone) has(ref record.RequestRef) bool { return g.there[goneKey(ref)] }
func (g *gone) add(ref record.RequestRef)      { g.put(goneKey(ref)) }

func (g *gone) put(key string) {
	if g.there[key] {
		return
	}
	g.there[key] = true
	g.order = append(g.order, key)
	if len(g.order) > mostGone {
		delete(g.there, g.order[0])
		g.order = slices.Delete(g.order, 0, 1)
	}
}

// RequestsAsked says which requests are wanted.
type RequestsAsked struct {
	State   string // "": waiting and begun; all
	Balance string // those that this balance can do
	Sample  string // those that this sample or container is in
	From    string
	Limit   int // 0: all
}

// Request gives one.
func (r *Room) Request(ref record.RequestRef) (q Request, known bool) {
	r.view.Lock()
	one := r.requests.by[ref]
	r.view.Unlock()
	if one == nil {
		return q, false
	}
	return r.looked([]*Request{one}, RequestsAsked{})[0], true
}

// Requests gives requests in the order in which they are to be done: by priority, when they are due, and when they came.
func (r *Room) Requests(asked RequestsAsked) []Request {
	r.view.Lock()
	var list []*Request
	for _, q := range r.requests.by {
		if asked.wants(q) {
			list = append(list, q)
		}
	}
	r.view.Unlock()
	slices.SortFunc(list, inTurn)
	return r.looked(list, asked)
}

func (a *RequestsAsked) wants(q *Request) bool {
	switch {
	case a.State == "" && !q.open(), a.State != "" && a.State != "all" && q.State != a.State, a.From != "" && q.From != a.From:
		return false
	case a.Balance != "" && q.Balance != "" && q.Balance != a.Balance:
		return false
	}
	return a.Sample == "" || slices.ContainsFunc(q.Items, func(i record.RunItem) bool { return i.Sample == a.Sample || i.Container == a.Sample })
}

// inTurn orders requests: those that have not ended as they are to be done, and after them those that have, the last one first.
func inTurn(a, b *Request) int {
	switch {
	case a.open() != b.open():
		if a.open() {
			return -1
		}
		return 1
	case !a.open():
		return cmp.Or(b.Changed.Time().Compare(a.Changed.Time()), cmp.Compare(b.Seq, a.Seq))
	}
	return cmp.Or(cmp.Compare(a.Priority, b.Priority), dueOf(a).Compare(dueOf(b)), cmp.Compare(a.Seq, b.Seq))
}

// dueOf is when a request is due: what is not due at all comes after everything that is.
func dueOf(q *Request) time.Time {
	if q.Due == nil {
		return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return q.Due.Time()
}

// looked adds to requests what is so now, and leaves out those that the balance asked about cannot do. The lab is asked with the view open.
func (r *Room) looked(list []*Request, asked RequestsAsked) (out []Request) {
	facts := map[string]*procedure.Facts{}
	for _, id := range append([]string{asked.Balance}, balancesOf(list)...) {
		if _, there := facts[id]; there || id == "" {
			continue
		}
		facts[id] = nil
		if f, known := r.o.Lab.Facts(id); known {
			facts[id] = &f
		}
	}
	now := r.now().Time()
	r.view.Lock()
	defer r.view.Unlock()
	for _, one := range list {
		q := *one
		q.Title = q.Procedure
		if f := r.procedures[q.Procedure]; f != nil && len(f.Versions) > 0 {
			q.Title = f.version(cmp.Or(f.Adopted, len(f.Versions))).Title
		}
		if q.State == record.RequestWaiting {
			q.Cannot = r.cannot(&q, facts[q.Balance])
			if asked.Balance != "" && q.Balance == "" && r.cannotAt(&q, facts[asked.Balance]) {
				continue
			}
		}
		q.Overdue = q.open() && q.Due != nil && q.Due.Time().Before(now)
		if out = append(out, q); len(out) == asked.Limit {
			break
		}
	}
	return out
}

func balancesOf(list []*Request) (ids []string) {
	for _, q := range list {
		if q.State == record.RequestWaiting {
			ids = append(ids, q.Balance)
		}
	}
	return ids
}

// cannot says why no run can begin of a request now, or "". The view is locked.
func (r *Room) cannot(q *Request, f *procedure.Facts) string {
	if q.Balance == "" {
		f = &procedure.Facts{}
	} else if f == nil {
		return "There is no balance " + q.Balance + " any more."
	}
	if err := r.doable(&q.LabRequest, *f); err != nil {
		return err.Error()
	}
	return f.Unfit
}

// cannotAt says whether a balance can, or may, not do what a request for any balance asks for. The view is locked.
func (r *Room) cannotAt(q *Request, f *procedure.Facts) bool {
	if f == nil || f.Unfit != "" {
		return true
	}
	v, err := r.toBegin(&Order{Procedure: q.Procedure, version: q.Version})
	return err == nil && v.def.Suits(*f) != ""
}
