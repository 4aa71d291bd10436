package gateway

import (
	"cmp"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/index"
	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// ProofOf gives the proof that an entry is in the journal.
func (g *Gateway) ProofOf(ctx context.Context, seq uint64, sign bool) (console.Proof, error) {
	return g.proofOf(ctx, seq, sign, journal.ProveOptions{})
}

// FirstProofOf gives the proof by the first checkpoint that covers an entry.
func (g *Gateway) FirstProofOf(ctx context.Context, seq uint64) (console.Proof, error) {
	return g.proofOf(ctx, seq, true, journal.ProveOptions{First: true})
}

func (g *Gateway) proofOf(ctx context.Context, seq uint64, sign bool, o journal.ProveOptions) (console.Proof, error) {
	dir := g.now.Load().cfg.Journal.Folder
	about, err := journal.AboutDir(ctx, dir)
	if err != nil {
		return console.Proof{}, err
	}
	if signedUpTo(about.Checkpoint) < seq {
		if !sign {
			return console.Proof{}, console.ErrNotCovered
		}
		if _, _, err := g.journal.Checkpoint(ctx); err != nil {
			return console.Proof{}, err
		}
	}
	p, err := journal.Prove(ctx, dir, strconv.FormatUint(seq, 10), o)
	if err != nil {
		return console.Proof{}, err
	}
	return shownProof(p)
}

// signedUpTo is how many entries a checkpoint covers; 0: it is none.
func signedUpTo(note []byte) uint64 {
	c, err := proof.Peek(note)
	if err != nil {
		return 0
	}
	return c.Size
}

// shownProof spells out what stands in a proof.
func shownProof(p proof.Proof) (console.Proof, error) {
	c, err := proof.Peek(p.Checkpoint)
	if err != nil {
		return console.Proof{}, err
	}
	file, err := p.Marshal()
	if err != nil {
		return console.Proof{}, err
	}
	key := strings.Join(proof.SignedBy(p.Checkpoint), ", ")
	leaf := tlog.RecordHash(p.Entry)
	shown := console.Proof{File: file, Leaf: hex.EncodeToString(leaf[:]), Index: p.Index, Size: c.Size, Root: hex.EncodeToString(c.Root[:]),
		Key: key, Note: string(p.Checkpoint)}
	for _, h := range p.Hashes {
		shown.Hashes = append(shown.Hashes, hex.EncodeToString(h[:]))
	}
	return shown, nil
}

// ofOneEntry are the kinds that tell what became of an entry at sinks, and name it.
var ofOneEntry = []record.Kind{record.KindParked, record.KindParkedDropped, record.KindSinkAnswered}

// DeliveriesOf says what became of an entry at each sink.
func (g *Gateway) DeliveriesOf(ctx context.Context, seq uint64) ([]console.DeliveryOf, error) {
	list, err := g.journal.Read(ctx, seq-1, 1)
	switch {
	case err != nil:
		return nil, err
	case len(list) == 0 || list[0].Seq != seq:
		return nil, console.ErrNoEntry
	}
	e := list[0]
	moves, err := g.everyEntry(ctx, index.Filter{Kinds: []record.Kind{record.KindSinkMoved}})
	if err != nil {
		return nil, err
	}
	notices, err := g.everyEntry(ctx, index.Filter{Kinds: ofOneEntry, After: seq, Text: wordsOf(e.ID)})
	if err != nil {
		return nil, err
	}
	released, err := g.releasedAmong(ctx, list[:1])
	if err != nil {
		return nil, err
	}
	var all []console.DeliveryOf
	for _, s := range g.now.Load().sinks {
		d, err := g.deliveryOf(e, s, released[seq], moves, notices)
		if err != nil {
			return nil, err
		}
		all = append(all, d)
	}
	return all, nil
}

// everyEntry gives all entries that a filter wants: for kinds of which there are few.
func (g *Gateway) everyEntry(ctx context.Context, f index.Filter) (all []record.Entry, err error) {
	err = g.eachEntry(ctx, f, func(e record.Entry) { all = append(all, e) })
	return all, err
}

// eachEntry hands over all entries that a filter wants, in the order of the journal.
func (g *Gateway) eachEntry(ctx context.Context, f index.Filter, each func(record.Entry)) error {
	for p := (index.Page{Limit: index.MaxLimit}); ; {
		page, err := g.lister().List(ctx, f, p)
		if err != nil {
			return err
		}
		for _, e := range page.Entries {
			each(e)
		}
		if page.Next == "" {
			return nil
		}
		if len(page.Entries) == 0 {
			return index.ErrBehind
		}
		p.Cursor = page.Next
	}
}

// wordsOf gives the words of an id, as the search index has them.
func wordsOf(id string) string { return strings.ReplaceAll(id, "/", " ") }

// deliveryOf says what became of an entry at one sink, from the sink's place in the journal, from what is set aside for it, and
// from what entries say of both. released is the entry by which somebody let it go; 0: nobody did.
func (g *Gateway) deliveryOf(e record.Entry, s *sink, released uint64, moves, notices []record.Entry) (console.DeliveryOf, error) {
	id, status := s.cfg.Delivery.ID, s.runner.Status()
	d := console.DeliveryOf{Sink: id, Kind: s.cfg.Kind}
	aside, err := g.journal.Parked(id)
	if err != nil {
		return d, err
	}
	notice, dropped, why := parkedBy(e.Seq, id, notices)
	move, moved := lastMove(id, moves)
	unwanted, held := s.cfg.Delivery.Unwanted(e), s.cfg.Delivery.Holds(e)
	d.Given, d.GivenBy = givenFor(e.Seq, id, notices)
	switch {
	case slices.ContainsFunc(aside, func(p journal.Parked) bool { return p.Entry == e.Seq }):
		d.State, d.Why, d.Notice = console.DeliverySetAside, why, notice
	case moved && e.Seq <= move.After && !(held && released > move.After): // of what is held the release counts
		d.State, d.Why, d.Notice = console.DeliveryBefore, beganAfter(e.Seq, move), move.Seq
	case unwanted != "":
		d.State, d.Why = console.DeliveryNotWanted, unwanted
	case held && released == 0:
		if d.State, d.Why = console.DeliveryHeld, "It goes out once somebody releases it."; deliver.HeldAsUnfit(e) {
			d.Why = "Its balance was out of service: it goes out once somebody releases it."
		}
	case status.Cursor < max(e.Seq, released):
		d.State = console.DeliveryWaits
		if status.State != deliver.Working {
			d.Why = status.Why
		}
	case dropped && notice > move.Seq:
		d.State, d.Why, d.Notice = console.DeliveryDropped, why, notice
	case notice > move.Seq:
		d.State, d.Notice = console.DeliveryReleased, notice
	default:
		d.State = console.DeliveryHad
	}
	return d, nil
}

// parkedBy finds the newest entry that says that an entry was set aside for a sink, or that somebody dropped it there.
func parkedBy(seq uint64, sink string, notices []record.Entry) (notice uint64, dropped bool, why string) {
	for _, n := range notices {
		var p record.Parked
		var act record.ParkedActed
		switch n.Kind {
		case record.KindParked:
			if json.Unmarshal(n.JSON, &p) == nil && p.Sink == sink && p.Entry == seq {
				notice, dropped, why = n.Seq, false, p.Why
			}
		case record.KindParkedDropped:
			named := func(r record.ParkedRef) bool { return r.Seq == seq }
			if json.Unmarshal(n.JSON, &act) == nil && act.Sink == sink && slices.ContainsFunc(act.Entries, named) {
				notice, dropped, why = n.Seq, true, act.Reason
			}
		}
	}
	return notice, dropped, why
}

// givenFor finds what a sink's destination gave back for an entry, last, and the entry that says so.
func givenFor(seq uint64, sink string, notices []record.Entry) (given string, by uint64) {
	for _, n := range notices {
		var said record.SinkAnswered
		if n.Kind != record.KindSinkAnswered || json.Unmarshal(n.JSON, &said) != nil || said.Sink != sink {
			continue
		}
		for _, a := range said.Answers {
			if a.Seq == seq {
				given, by = a.Given, n.Seq
			}
		}
	}
	return given, by
}

// lastMove finds the newest entry that says from where a sink's destination gets entries.
func lastMove(sink string, moves []record.Entry) (last record.SinkMoved, found bool) {
	for _, m := range moves {
		var one record.SinkMoved
		if json.Unmarshal(m.JSON, &one) == nil && one.Sink == sink {
			last, found = one, true
		}
	}
	return last, found
}

// beganAfter says why a destination does not get an entry.
func beganAfter(seq uint64, m record.SinkMoved) string {
	if seq <= m.Before {
		return fmt.Sprintf("Its destination is %s since entry %d; before, when this entry was done with, it was %s.", m.To, m.Seq,
			cmp.Or(m.From, "one that is not known"))
	}
	return fmt.Sprintf("Its destination, %s, gets entries after entry %d only, as the configuration asked.", m.To, m.After)
}
