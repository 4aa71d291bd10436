package journal

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"
)

// commit makes everything that is asked one transaction, then the head, then answers. If any of it fails, nothing of it
// counts, and recording is stopped.
func (w *writer) commit(reqs []*request) {
	d := newDraft(&w.state, w.j.o.Site)
	answers := make([]answer, len(reqs))
	sign := false
	for i, r := range reqs {
		if answers[i].err = w.missing(d, r); answers[i].err == nil {
			answers[i] = d.request(r)
		}
		sign = sign || r.sign
	}
	moved, told := w.j.takeMoved(), w.j.takeTold()
	var signed []byte
	var err error
	if sign && (d.edge.size > w.state.signed || w.state.note == nil) {
		signed, err = w.signDraft(d)
	}
	if err == nil && (len(d.rows) > 0 || len(moved) > 0 || len(told) > 0 || len(d.settled) > 0 || len(d.drops) > 0 || len(d.notes) > 0 || len(d.unparked) > 0 || signed != nil) {
		if err = w.write(d, moved, told, signed); err == nil {
			w.take(d, signed)
		}
	}
	if err != nil {
		w.j.giveBack(moved)
		w.j.giveBackTold(told)
		w.stop(err)
		for _, r := range reqs {
			forget(r)
			r.done <- answer{err: fmt.Errorf("%w: %w", ErrStopped, err)}
		}
		return
	}
	keyErr := w.takeKey(d)
	for i, r := range reqs {
		if r.rotate != nil {
			answers[i].err = errors.Join(answers[i].err, keyErr)
		}
		if r.sign {
			answers[i].seq, answers[i].note = w.state.signed, w.state.note
		}
		if r.state { // signed just now, so that the numbers are those of the signed size
			answers[i].origin, answers[i].numbers = w.state.origin, maps.Clone(w.state.numbers)
			var err error
			answers[i].parked, err = savedParked(w.store.db, w.state.signed)
			answers[i].err = errors.Join(answers[i].err, err)
		}
		r.done <- answers[i]
	}
	w.unpark(d.settled)
}

// unpark forgets what was parked and now comes again. It is no part of the commit before: that could be undone, and then the
// entries would have to be parked as they were. What a cut in between leaves behind is one condition too many.
func (w *writer) unpark(settled []settleOrder) {
	for _, s := range settled {
		if err := w.store.dropParked(s.cursor, s.seq); err != nil {
			w.stop(explain(err))
			return
		}
	}
}

// signDraft signs the head as the draft makes it, with the key that is then in force.
func (w *writer) signDraft(d *draft) ([]byte, error) {
	if d.key != nil {
		return signHead(d.key, d.key.Name(), &d.edge)
	}
	return signHead(w.j.keyInForce(), w.state.origin, &d.edge)
}

// request puts one request into the draft.
func (d *draft) request(r *request) answer {
	entries, err := d.add(r.bodies)
	if err == nil && r.park != nil {
		d.parked = append(d.parked, parkOrder{r.park.cursor, r.park.seq, entries[0].Seq})
	}
	if err == nil && r.settle != nil {
		d.settled = append(d.settled, *r.settle)
	}
	if err == nil && r.unpark != nil {
		o := *r.unpark
		if o.again {
			o.notice = entries[0].Seq
		}
		d.unparked = append(d.unparked, o)
	}
	if err == nil && r.rotate != nil {
		d.rotate(r.rotate, entries)
	}
	if err == nil && r.seal != nil {
		s := r.seal.segment
		s.Sealed = entries[0].Seq
		d.sealed = append(d.sealed, s)
	}
	if err == nil && r.drop != nil {
		d.drops = append(d.drops, *r.drop)
	}
	if err == nil && r.note != nil {
		d.note(*r.note, entries)
	}
	return answer{entries: entries, err: err}
}

// write makes a draft durable.
func (w *writer) write(d *draft, moved map[string]uint64, told []Acknowledgement, signed []byte) error {
	err := w.store.transact(func() error {
		if err := w.store.endsWith(w.state.edge.size); err != nil {
			return err
		}
		for _, r := range d.rows {
			if err := w.store.putEntry(r.entry.Seq, r.entry.JSON, r.hashes); err != nil {
				return err
			}
			if err := w.store.noteReleased(r.entry); err != nil {
				return err
			}
		}
		for _, balance := range slices.Sorted(maps.Keys(d.numbers)) {
			if err := w.store.putNumber(balance, d.numbers[balance]); err != nil {
				return err
			}
		}
		w.wasParked = nil
		if err := w.writeUnparked(d); err != nil {
			return err
		}
		for _, p := range d.parked {
			if err := w.rememberParked(p.cursor, p.seq); err != nil {
				return err
			}
			if err := w.store.putParked(p.cursor, p.seq, p.notice); err != nil {
				return err
			}
			moved[p.cursor] = max(moved[p.cursor], p.seq, w.j.cursor(p.cursor))
		}
		for _, s := range d.sealed {
			if err := w.store.putSegment(s); err != nil {
				return err
			}
		}
		for _, o := range d.drops {
			if err := w.store.drop(o); err != nil {
				return err
			}
		}
		for _, s := range d.settled {
			moved[s.cursor] = s.seq // also back
			if err := putMeta(w.store.db, goalPrefix+s.cursor, s.goal); err != nil {
				return err
			}
		}
		for _, name := range slices.Sorted(maps.Keys(moved)) {
			if err := w.store.putCursor(name, moved[name]); err != nil {
				return err
			}
		}
		if err := w.store.writeNotes(d.notes); err != nil {
			return err
		}
		if err := putTold(w.store.db, told); err != nil {
			return err
		}
		if signed != nil {
			if err := w.store.putCheckpoint(d.edge.size, signed); err != nil {
				return err
			}
		}
		return w.putKeys(d)
	})
	if err != nil {
		return explain(err)
	}
	if len(d.rows) == 0 {
		return nil
	}
	root, err := d.edge.root()
	if err != nil {
		return err
	}
	if err := w.head.write(d.edge.size, root); err != nil {
		w.reopen = true // the entries are in journal.db, and nobody was told
		return err
	}
	return nil
}

// take makes a durable draft the state, and shows it to readers.
func (w *writer) take(d *draft, signed []byte) {
	w.state.edge = d.edge
	w.wasParked = nil
	maps.Copy(w.state.numbers, d.numbers)
	if signed != nil {
		w.state.signed, w.state.note = d.edge.size, signed
	}
	for _, p := range d.parked {
		w.j.passed(p.cursor, p.seq)
	}
	for _, s := range d.settled {
		w.j.settled(s)
	}
	w.j.keepNotes(d.notes)
	w.j.tail.publish(d.rows)
	w.due[choreFold] = time.Now().Add(w.j.o.idleAfter)
	if w.state.signed < w.state.edge.size {
		w.schedule(choreSign, w.j.o.signEvery)
	}
}
