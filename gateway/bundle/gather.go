package bundle

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/index"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// Of says what is to be bundled: one run, a span by sequence or by time, or all.
type Of struct {
	Run         string
	From, To    time.Time // stamped at or after From and before To; zero: no limit
	First, Last uint64    // sequences, both included; 0: no limit
	All         bool
}

// Nothing says that the journal holds nothing of what is asked for.
type Nothing struct{ Why string }

func (n *Nothing) Error() string { return n.Why }

// Unclear says that what is asked for cannot be meant.
type Unclear struct{ Why string }

func (u *Unclear) Error() string { return u.Why }

func (o *Of) fault() error {
	span := !o.From.IsZero() || !o.To.IsZero() || o.First > 0 || o.Last > 0
	switch timed := !o.From.IsZero() || !o.To.IsZero(); {
	case o.Run == "" && !span && !o.All:
		return &Unclear{"say what to bundle: a run, a span of the journal, or all of it"}
	case o.All && (span || o.Run != "") || o.Run != "" && span:
		return &Unclear{"bundle one thing at a time: a run, a span of the journal, or all of it"}
	case timed && (o.First > 0 || o.Last > 0):
		return &Unclear{"a span goes either by time or by sequence"}
	case o.Last > 0 && o.First > o.Last || !o.From.IsZero() && !o.To.IsZero() && !o.From.Before(o.To):
		return &Unclear{"the span ends before it begins: nothing can lie in it"}
	}
	return nil
}

// Finder gives the entries of the journal that a filter asks for, in order: all that were acknowledged when it was called.
type Finder func(ctx context.Context, f index.Filter, each func(record.Entry) error) error

// looker finds entries by reading the journal from its beginning.
func looker(dir, segments string, head uint64) Finder {
	return func(ctx context.Context, f index.Filter, each func(record.Entry) error) error {
		p, err := journal.OpenProofs(dir, segments)
		if err != nil {
			return err
		}
		defer p.Close()
		return p.Each(ctx, 1, head, func(e record.Entry) error {
			if !f.Match(e) {
				return nil
			}
			return each(e)
		})
	}
}

// span is the entries first to last, both included.
type span struct{ first, last uint64 }

// spansOf makes spans of sequences.
func spansOf(seqs []uint64) (list []span) {
	slices.Sort(seqs)
	for _, seq := range slices.Compact(seqs) {
		if n := len(list); n > 0 && list[n-1].last+1 == seq {
			list[n-1].last = seq
			continue
		}
		list = append(list, span{seq, seq})
	}
	return list
}

// mostOwn is how many entries the bundle of one run may have: their places are held in memory.
const mostOwn = 1 << 18

// gatherer finds the entries of a run, and those that they rest on.
type gatherer struct {
	run  string
	own  []uint64
	rest []uint64
	// What the entries of the run name, until the entry is found that says what it is.
	procedures, layouts, configs, checks map[string]bool
	weighings                            map[uint64]bool
}

// gather gives the sequences of a run's own entries and of all.
func gather(ctx context.Context, find Finder, run string) (own int, all []span, err error) {
	g := &gatherer{run: run, procedures: map[string]bool{}, layouts: map[string]bool{}, configs: map[string]bool{}, checks: map[string]bool{}, weighings: map[uint64]bool{}}
	if err := find(ctx, index.Filter{Text: run}, g.take); err != nil {
		return 0, nil, err
	}
	if len(g.own) == 0 {
		return 0, nil, &Nothing{fmt.Sprintf("the journal has no entry of a run %q", run)}
	}
	kinds := []record.Kind{record.KindProcedureChanged, record.KindLayoutChanged, record.KindConfigured, record.KindCheckEnded, record.KindAffectedJudged, record.KindClockCorrected}
	if err := find(ctx, index.Filter{Kinds: kinds}, g.support); err != nil {
		return 0, nil, err
	}
	slices.Sort(g.own)
	own = len(slices.Compact(g.own))
	return own, spansOf(append(g.own, g.rest...)), nil
}

// Names says whether an entry names a run as its own: as what it is about, or in a context.
func Names(e record.Entry, run string) (is bool) {
	_ = record.EachText(e.JSON, func(path [][]byte, text []byte) { // an entry that is no JSON names nothing
		n := len(path)
		if n == 0 || string(text) != run {
			return
		}
		is = is || string(path[n-1]) == "run" || n > 1 && string(path[n-1]) == "id" && string(path[n-2]) == "run"
	})
	return is
}

// take looks at an entry that may be the run's own.
func (g *gatherer) take(e record.Entry) error {
	if !Names(e, g.run) {
		return nil
	}
	if len(g.own) == mostOwn {
		return fmt.Errorf("the run %s has more than %d entries: bundle a span of the journal instead", g.run, mostOwn)
	}
	g.own = append(g.own, e.Seq)
	var in struct {
		Run      *record.RunRef
		Layout   string
		Fitness  record.Fitness
		Software record.Software
	}
	if e.Kind.Numbered() || e.Kind == record.KindRunBegun || e.Kind == record.KindRunCorrected {
		if err := json.Unmarshal(e.JSON, &in); err != nil {
			return fmt.Errorf("entry %d cannot be read: %w. Run: weighpost journal verify", e.Seq, err)
		}
	}
	if in.Run != nil {
		g.procedures[in.Run.Procedure.Hash] = true
	}
	if e.Kind.Numbered() {
		g.weighings[e.Seq] = true
	}
	want(g.layouts, in.Layout)
	want(g.configs, in.Software.Config)
	want(g.checks, in.Fitness.LastCheck)
	return nil
}

func want(names map[string]bool, name string) {
	if name != "" {
		names[name] = true
	}
}

// support looks at an entry that the run's may rest on. Of what is said more than once, the first is taken.
func (g *gatherer) support(e record.Entry) error {
	wanted := false
	take := func(of map[string]bool, name string) {
		if of[name] {
			wanted = true
			delete(of, name)
		}
	}
	var err error
	switch e.Kind {
	case record.KindProcedureChanged:
		p, bad := body[record.ProcedureChanged](e)
		wanted, err = g.procedures[p.Procedure.Hash], bad
	case record.KindLayoutChanged:
		l, bad := body[record.LayoutChange](e)
		take(g.layouts, l.To)
		err = bad
	case record.KindConfigured:
		c, bad := body[record.Configured](e)
		for hash := range c.Layouts {
			take(g.layouts, hash)
		}
		if len(c.Config) > 0 {
			take(g.configs, c.To)
		}
		err = bad
	case record.KindCheckEnded:
		take(g.checks, e.ID)
	case record.KindAffectedJudged:
		a, bad := body[record.AffectedJudged](e)
		wanted, err = slices.ContainsFunc(a.Weighings, func(w record.EntryRef) bool { return g.weighings[w.Seq] }), bad
	case record.KindClockCorrected:
		c, bad := body[record.ClockCorrected](e)
		wanted, err = slices.ContainsFunc(g.own, func(seq uint64) bool { return c.From <= seq && seq <= c.To }), bad
	}
	if wanted {
		g.rest = append(g.rest, e.Seq)
	}
	return err
}

func body[T any](e record.Entry) (b T, err error) {
	if err = json.Unmarshal(e.JSON, &b); err != nil {
		err = fmt.Errorf("entry %d cannot be read: %w. Run: weighpost journal verify", e.Seq, err)
	}
	return b, err
}

// spanOf gives the entries that a span reaches over: by time, from the first that lies in it to the last.
func spanOf(ctx context.Context, find Finder, o *Of, head uint64) (span, error) {
	if o.From.IsZero() && o.To.IsZero() {
		s := span{max(o.First, 1), head}
		if o.Last > 0 {
			s.last = o.Last
		}
		if s.first > head || s.last > head {
			return s, &Nothing{fmt.Sprintf("the journal has %d entries: the span reaches beyond them", head)}
		}
		return s, nil
	}
	var s span
	err := find(ctx, index.Filter{From: o.From, To: o.To}, func(e record.Entry) error {
		if s.first == 0 {
			s.first = e.Seq
		}
		s.last = e.Seq
		return nil
	})
	if err == nil && s.first == 0 {
		err = &Nothing{"no entry was stamped" + between(instant(o.From), instant(o.To))}
	}
	return s, err
}

// shortOf is a word about what is bundled, for the name of a file.
func (a *About) short() string {
	switch a.Of {
	case OfRun:
		return a.Run
	case OfSpan:
		return fmt.Sprintf("%d-to-%d", a.First, a.Last)
	}
	return OfAll
}

// FileName is what the file of a bundle is called where nobody says otherwise. It holds letters, digits, - and . alone.
func (a *About) FileName() string {
	name := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, a.Site+"-"+a.short())
	return name + ".bundle.zip"
}
