package layout

import (
	"errors"
	"slices"

	"weighpost/parsers/frame"
)

// Piece is what one piece of a template takes of a frame, for people who look at how it is read.
type Piece struct {
	Name     string // of the field, as templates name it; "" for text that always stands there
	From, To int    // bytes of the frame
}

// Pieces gives what each piece of the template takes of a frame, in order, blanks between them left out. The error is that of
// Apply; the pieces are then those that fit before the one that does not, of the template that came furthest.
func (l *Layout) Pieces(f frame.Frame) ([]Piece, error) {
	fault := l.Apply(f, &Reading{})
	if f.Fault != "" || f.Body == nil {
		return nil, fault
	}
	if l.block {
		t := tracer{}
		m := matcher{l: l, r: &Reading{}, took: t.took, forget: t.forget}
		if missed := l.walkBlock(&m, f); missed.why != whyNone && fault == nil {
			return t.pieces, errors.New("the pieces of this frame cannot be told apart")
		}
		return t.pieces, fault
	}
	var furthest []Piece
	for i := range l.lines {
		t := tracer{}
		m := matcher{l: l, r: &Reading{}, took: t.took}
		missed := l.matchLine(&m, &l.lines[i], f, f.Body, len(l.rule.Start))
		if missed.why == whyNone {
			return t.pieces, fault
		}
		if len(t.pieces) > len(furthest) {
			furthest = t.pieces
		}
	}
	return furthest, fault
}

// tracer keeps what pieces take.
type tracer struct{ pieces []Piece }

func (t *tracer) took(field fieldName, from, to int) {
	t.pieces = append(t.pieces, Piece{Name: fieldNames[field], From: from, To: to})
}

// forget drops what a line took that does not fit after all.
func (t *tracer) forget(offset int) {
	t.pieces = slices.DeleteFunc(t.pieces, func(p Piece) bool { return p.From >= offset })
}
