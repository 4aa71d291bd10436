package journal

import (
	"errors"
	"fmt"
	"path"
	"time"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// Begun tells which life of the journal its opening began, because it was last written on another computer; nil: none.
func (j *Journal) Begun() *record.Restored { return j.begun }

// settleMachine notes on which computer the journal lives, or begins another life of it where it lived on another: the disk may
// have been copied, and then both would issue the same ids. Where this computer has no name, nothing is concluded.
func (w *writer) settleMachine() error {
	here, db := w.j.o.Machine(), w.store.db
	switch w.state.machine {
	case here:
		return nil
	case "":
		if err := transact(db, func() error { return putMeta(db, machineName, here) }); err != nil {
			w.j.o.Log.Warn("on which computer the journal lives could not be noted; the next start tries again", "dir", w.j.o.Dir, "error", explain(err))
			if !harmless(err) {
				return explain(err)
			}
		}
		return nil
	}
	if here == "" {
		return nil
	}
	if err := w.beginLife(here); err != nil {
		return fmt.Errorf("it was last written on another computer, and could not begin another incarnation here: %w", explain(err))
	}
	w.j.o.Log.Warn("the journal was last written on another computer: from here on it is another incarnation, so that no id is issued twice",
		"dir", w.j.o.Dir, "before", w.j.begun.Predecessor.Incarnation, "now", w.j.begun.Incarnation)
	return nil
}

// beginLife begins another incarnation in the same files: two entries, a new key that the old one vouches for, and numbers from
// 1. A cut at any moment leaves the old life, or the new one whole.
func (w *writer) beginLife(machine string) error {
	o, old, db := &w.j.o, w.j.keyInForce(), w.store.db
	incarnation, err := w.freshName()
	if err != nil {
		return err
	}
	next, err := newSignKey(fmt.Sprintf("weighpost/%s/%s", o.Site, incarnation))
	if err != nil {
		return err
	}
	restored, rotated, err := w.lifeBodies(incarnation, old, next)
	if err != nil {
		return err
	}
	d := newDraft(&state{incarnation: incarnation, edge: w.state.edge}, o.Site)
	if _, err := d.add([]record.Body{restored, rotated}); err != nil {
		return err
	}
	last, err := signHead(old, w.state.origin, &w.state.edge)
	if err != nil {
		return err
	}
	before := w.state.edge.size
	err = w.handOver(d, next, func() error {
		return errors.Join(w.store.putCheckpoint(before, last), db.Exec("DELETE FROM numbers"), putMeta(db, "incarnation", incarnation),
			putMeta(db, "origin", next.Name()), putMeta(db, machineName, machine))
	}, func(s *state) {
		s.incarnation, s.origin, s.machine, s.numbers = incarnation, next.Name(), machine, map[string]uint64{}
	})
	if err == nil {
		w.j.begun = restored
	}
	return err
}

// handOver commits entries, the last of which puts another key in force, and what else belongs to them, before anybody records.
// then shows it in the state.
func (w *writer) handOver(d *draft, next signKey, more func() error, then func(s *state)) error {
	o := &w.j.o
	d.key, d.keyFrom = &next, d.edge.size
	signed, err := signHead(next, next.Name(), &d.edge)
	if err != nil {
		return err
	}
	if err := stageKey(o.disk, o.Dir, next); err != nil {
		return err
	}
	err = transact(w.store.db, func() error {
		for _, r := range d.rows {
			if err := w.store.putEntry(r.entry.Seq, r.entry.JSON, r.hashes); err != nil {
				return err
			}
		}
		return errors.Join(w.store.putCheckpoint(d.edge.size, signed), w.putKeys(d), more())
	})
	if err != nil {
		return err
	}
	s := &w.state
	s.edge, s.signed, s.note = d.edge, d.edge.size, signed
	then(s)
	if err := w.catchUp(); err != nil {
		return err
	}
	_ = w.takeKey(d) // it has logged what is wrong, and the next start puts the files in order
	return nil
}

// lifeBodies makes the entries by which the life of a journal on another computer begins.
func (w *writer) lifeBodies(incarnation string, old, next signKey) (*record.Restored, *record.KeyRotated, error) {
	root, err := w.state.edge.root()
	if err != nil {
		return nil, nil, err
	}
	now := time.Now()
	who := record.Actor{ID: "weighpost", By: record.ActorSoftware}
	stamp := record.Stamp{UTC: record.UTC(now.UTC()), Zone: now.Format("-07:00"), Clock: record.ClockUnchecked}
	const reason = "the journal was last written on another computer"
	restored := &record.Restored{
		Cause: record.LifeCloned, Incarnation: incarnation, Origin: next.Name(), Reason: reason, Actor: who, Stamp: stamp,
		Predecessor: record.Predecessor{Incarnation: w.state.incarnation, Origin: w.state.origin, Entries: w.state.edge.size,
			Root: root.String(), From: "folder"},
	}
	rotated, err := VouchedKey(old.Signer, old.public, next.public, record.KeyCloned)
	if err != nil {
		return nil, nil, err
	}
	rotated.By, rotated.Reason, rotated.Stamp = who, reason, stamp
	return restored, rotated, nil
}

// freshName draws a name that no life of this journal has had: each has a key of its own, named after it.
func (w *writer) freshName() (string, error) {
	keys, err := keyRows(w.store.db, w.state.edge.size)
	if err != nil {
		return "", err
	}
	had := map[string]bool{w.state.incarnation: true}
	for _, text := range keys {
		if key, err := proof.ParseKey(text); err == nil {
			had[path.Base(key.Name())] = true
		}
	}
	for {
		name, err := newIncarnation()
		if err != nil || !had[name] {
			return name, err
		}
	}
}
