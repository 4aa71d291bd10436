package report

import (
	"fmt"
	"strings"

	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

// Trail is a span of the audit trail.
type Trail struct {
	Told
	Span   string // as it was asked for: "2026-11-29/2026-11-30", "120-240"
	Filter string // in words: which entries it tells of
}

func (r *Trail) told() *Told                 { return &r.Told }
func (r *Trail) about() (kind, about string) { return OfTrail, r.Span }

func (r *Trail) top() head {
	span := r.Span
	switch from, to, dates := strings.Cut(span, "/"); {
	case dates && from == to:
		span = from
	case dates:
		span = from + " through " + to
	default:
		span = "entries " + strings.Replace(span, "-", " through ", 1)
	}
	return head{title: "Audit trail of " + span, lead: []string{fmt.Sprintf("%d entries.", len(r.Entries))}}
}

func (r *Trail) block(name string) []Section {
	switch name {
	case BlockFacts:
		return []Section{{Name: "Span", Facts: []Fact{{"Asked for", r.Span}, {"It tells of", r.Filter}, {"Entries", fmt.Sprint(len(r.Entries))}}}}
	case BlockTrail:
		return []Section{trailSection(r.Entries)}
	}
	return nil
}

func (r *Trail) closing() []string {
	return []string{"It lists the entries of the span as the journal has them, each in few words. An entry in full, and its proof, are had from weighpost journal export and weighpost journal prove."}
}

// trailSection lists entries: when, what, who, and why.
func trailSection(entries []record.Entry) Section {
	s := Section{Name: "Trail"}
	if len(entries) == 0 {
		s.Notes = []string{"There is no entry."}
		return s
	}
	t := &Table{Heads: []Head{{"No.", 0.07, true}, {timeHead, 0.205, false}, {"What happened", 0.2, false}, {"Who", 0.13, false}, {"Details, reason", 0.395, false}}}
	for _, e := range entries {
		t.Rows = append(t.Rows, trailRow(e))
	}
	s.Table = t
	return s
}

func trailRow(e record.Entry) Row {
	time := unknown
	if st, ok := record.StampOf(e); ok {
		time = stepTime(st)
	}
	r, err := tell.RowOf(e, new(record.Corrections))
	if err != nil {
		return Row{Cells: []string{fmt.Sprint(e.Seq), time, tell.Kind(e.Kind), unknown, "it cannot be read: " + err.Error()}}
	}
	what := tell.Kind(e.Kind)
	if e.Balance != "" {
		what += "\nbalance " + e.Balance
	}
	return Row{Cells: []string{fmt.Sprint(e.Seq), time, what, orNone(r.Person), tell.Line(e)}}
}
