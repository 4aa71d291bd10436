package samples

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// batch is how many entries go into one append.
const batch = 256

// Announced says what became of samples that were sent.
type Announced = record.SamplesTaken

// Announce takes samples, all of them or, where one cannot be taken, none: the error is then a *record.SampleRefused. A sample that is
// known as it is sent needs no entry, so that the same request may come again. It returns once every entry is in the journal and what it
// says is known here. request is the mark of the sender, "" for none.
func (r *Room) Announce(ctx context.Context, list []record.Sample, request string, by record.Actor) (a Announced, err error) {
	if err := check(list); err != nil {
		return a, err
	}
	done, err := r.view.Take(ctx)
	if err != nil {
		return a, err
	}
	defer done()
	var bodies []record.Body
	stamp := r.o.Stamp()
	r.view.Lock()
	taken := map[string]bool{}
	for i := range list {
		s := &list[i]
		if taken[s.ID] {
			continue // there twice, and the same: check saw to that
		}
		taken[s.ID] = true
		e := &record.SampleAnnounced{Sample: *s, Change: record.SampleNew, Request: request, By: by, Stamp: stamp}
		switch before := r.known[s.ID]; {
		case before == nil:
			a.New++
		case before.Same(s):
			a.Unchanged++
			continue
		default:
			was := before.KnownSample.Sample
			e.Change, e.Before = record.SampleChanged, &was
			a.Changed++
		}
		bodies = append(bodies, e)
	}
	ended, room := r.makeRoom(a.New, list, stamp)
	known := len(r.known)
	r.view.Unlock()
	if !room {
		return Announced{}, &record.SampleRefused{Why: fmt.Sprintf("%d samples would be known, and at most %d can be: end those that are done with.", known+a.New, Most)}
	}
	return a, r.append(ctx, append(ended, bodies...))
}

// check finds what cannot be taken.
func check(list []record.Sample) error {
	switch {
	case len(list) == 0:
		return &record.SampleRefused{Why: "No sample is named."}
	case len(list) > MostAtOnce:
		return &record.SampleRefused{Why: fmt.Sprintf("%d samples are too many for one request: at most %d.", len(list), MostAtOnce)}
	}
	seen := make(map[string]int, len(list))
	for i := range list {
		s := &list[i]
		if err := s.Check(); err != nil {
			return &record.SampleRefused{Why: fmt.Sprintf("Sample %d (%q): %v. None of them was taken.", i+1, clip(s.ID), err)}
		}
		if first, twice := seen[s.ID]; twice && !list[first-1].Same(s) {
			return &record.SampleRefused{Why: fmt.Sprintf("Samples %d and %d are both %q and say different things of it. None of them was taken.", first, i+1, s.ID)}
		} else if !twice {
			seen[s.ID] = i + 1
		}
	}
	return nil
}

// clip shows as much of an id as a sentence can carry.
func clip(id string) string { return id[:min(len(id), 64)] }

// makeRoom ends samples that have expired, longest ago first, where there is no room for as many new ones, and says whether there is
// room then.
func (r *Room) makeRoom(more int, but []record.Sample, stamp record.Stamp) (bodies []record.Body, room bool) {
	over := len(r.known) + more - Most
	if over <= 0 {
		return nil, true
	}
	sent := map[string]bool{}
	for i := range but {
		sent[but[i].ID] = true
	}
	var expired []*sample
	for id, s := range r.known {
		if s.Expired(stamp.UTC.Time()) && !sent[id] {
			expired = append(expired, s)
		}
	}
	if len(expired) < over {
		return nil, false
	}
	slices.SortFunc(expired, func(a, b *sample) int { return a.Expires.Time().Compare(b.Expires.Time()) })
	for _, s := range expired[:over] {
		was := s.KnownSample.Sample
		bodies = append(bodies, &record.SampleAnnounced{Sample: was, Change: record.SampleEnded, Before: &was,
			Why: "it has expired, and there was no room for new ones", By: record.Actor{By: record.ActorSoftware}, Stamp: stamp})
	}
	return bodies, true
}

// append makes entries durable, and waits until what they say is known.
func (r *Room) append(ctx context.Context, bodies []record.Body) error {
	last := uint64(0)
	for part := range slices.Chunk(bodies, batch) {
		entries, err := r.o.Journal.Append(ctx, part...)
		if err != nil {
			return fmt.Errorf("not all samples are in the journal: send the request again, which does nothing twice: %w", err)
		}
		last = entries[len(entries)-1].Seq
	}
	return r.view.Reached(ctx, last)
}

// End says that a sample is not known any more, and gives what was known. The error is record.ErrNoSample, or that of the journal.
func (r *Room) End(ctx context.Context, id, why string, by record.Actor) (record.KnownSample, error) {
	done, err := r.view.Take(ctx)
	if err != nil {
		return record.KnownSample{}, err
	}
	defer done()
	known, ok, _ := r.Sample(id)
	if !ok {
		return known, record.ErrNoSample
	}
	was := known.Sample
	return known, r.append(ctx, []record.Body{&record.SampleAnnounced{Sample: was, Change: record.SampleEnded, Before: &was, Why: why, By: by, Stamp: r.o.Stamp()}})
}

// List gives samples by id, after one, as many as a limit says. With a prefix only those that begin so. more says that others follow.
func (r *Room) List(prefix, after string, limit int) (list []record.KnownSample, more, ready bool) {
	r.view.Lock()
	defer r.view.Unlock()
	var ids []string
	for id := range r.known {
		if id > after && strings.HasPrefix(id, prefix) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	if more = len(ids) > limit; more {
		ids = ids[:limit]
	}
	for _, id := range ids {
		list = append(list, r.known[id].KnownSample)
	}
	return list, more, r.view.Ready()
}

// Count is how many samples are known.
func (r *Room) Count() int {
	r.view.Lock()
	defer r.view.Unlock()
	return len(r.known)
}
