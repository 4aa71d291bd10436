package learntest

import (
	"fmt"
	"strings"

	"weighpost/parsers/decimal"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

// Finding is one place where what a layout reads is not the truth.
type Finding struct {
	Frame int // index in Balance.Frames, -1 for bytes that belong to none
	What  string
}

// Outcome is how a layout did on a balance.
type Outcome struct {
	// Wrong lists values that were accepted and are not the truth: digits, unit or range; a weight read from noise, from a
	// damaged print or from two prints at once; a number with a digit less than is printed; a kind or a stability that is not the printed one.
	Wrong []Finding
	// WrongFields lists texts and dates that were accepted and are not the truth: another sample, a month for a day.
	WrongFields []Finding
	// Missing lists what a layout should have read and did not: a print that nothing hinders, a stability or kind that the
	// sample tells; digits with the right value and another text.
	Missing []Finding

	Read, MayRefuse, Refused int // prints of weights: read rightly; refused, as they may be; refused although nothing hinders
	Halves                   int // halves of lines that were read as a weight; no layout can refuse all of them
	FieldsRight, Fields      int // dates, times, samples, persons, counts … with labels that people know
}

// Right says that a layout is fully right: nothing wrong and nothing missing.
func (o *Outcome) Right() bool {
	return len(o.Wrong) == 0 && len(o.WrongFields) == 0 && len(o.Missing) == 0
}

// Score reads all of a balance's frames by a layout and compares with the truth. Frames that the balance's Needs leave open
// may be refused.
func (b *Balance) Score(l *layout.Layout, open Need) *Outcome {
	s := &scorer{b: b, l: l, open: open != 0, readings: make([]int, len(b.Frames))}
	at := 0
	for _, f := range b.Frames {
		s.starts = append(s.starts, at)
		at += len(f.Bytes)
	}
	s.run()
	for i, n := range s.readings {
		s.count(i, n)
	}
	return &s.out
}

type scorer struct {
	b        *Balance
	l        *layout.Layout
	open     bool
	starts   []int // of the frames, in the stream
	readings []int // how many each frame gave
	out      Outcome
}

// run cuts and reads the stream as the daemon does.
func (s *scorer) run() {
	splitter := s.l.Splitter()
	for i, f := range s.b.Frames {
		if f.Pause && i > 0 {
			splitter.Idle(s.frame)
		}
		splitter.Push(f.Bytes, s.frame)
	}
	if s.l.IdleGap() > 0 {
		splitter.Idle(s.frame)
	}
	splitter.Flush(s.frame)
}

// frame reads one frame of the stream and finds the print that it belongs to.
func (s *scorer) frame(f frame.Frame) {
	if f.Fault != "" {
		return
	}
	var r layout.Reading
	if err := s.l.Apply(f, &r); err != nil {
		return
	}
	var own []int
	for i, p := range s.b.Frames {
		if s.starts[i]+p.From < int(f.End) && int(f.Offset) < s.starts[i]+p.To && p.Sort != Noise {
			own = append(own, i)
		}
	}
	switch {
	case len(own) == 0 && f.Opening && f.Offset == 0 && s.b.Frames[0].Sort == Noise:
		return // whoever records holds back what may be the rest of a line
	case len(own) == 0:
		s.wrong(-1, "%s is read from %q, which is no print", show(&r), f.Bytes)
	case len(own) > 1:
		s.wrong(own[0], "%s is read from %d prints at once", show(&r), len(own))
	default:
		s.compare(own[0], &r)
	}
}

func (s *scorer) wrong(i int, format string, args ...any) {
	s.out.Wrong = append(s.out.Wrong, Finding{i, fmt.Sprintf(format, args...)})
}

func (s *scorer) missing(i int, format string, args ...any) {
	s.out.Missing = append(s.out.Missing, Finding{i, fmt.Sprintf(format, args...)})
}

// show is a reading in short.
func show(r *layout.Reading) string {
	return fmt.Sprintf("%q %s, %s, kind %s, range %s", r.Digits(), r.Unit.Key(), r.Stability, r.Kind, r.Range)
}

// compare holds a reading against the truth of its print.
func (s *scorer) compare(i int, r *layout.Reading) {
	f := &s.b.Frames[i]
	t := &f.Truth
	s.readings[i]++
	switch {
	case f.Sort == Half:
		if !sameWeight(r, t) {
			s.out.Halves++
		}
		return
	case f.Sort == Wide:
		if !sameWeight(r, t) {
			s.wrong(i, "%s is read, and the number has a digit more: %s", show(r), t.Digits)
		}
		return
	case f.Sort == Damaged:
		s.wrong(i, "%s is read from a damaged print", show(r))
		return
	case r.Range != t.Range:
		s.wrong(i, "%s, and the truth is range %s", show(r), t.Range)
		return
	case f.Sort == Beyond:
		return // whether no weight is stable or net is nothing that anybody uses
	case !sameWeight(r, t):
		s.another(i, f, r)
		return
	}
	// Whether the sign in "1770," ends the number or stands behind it is nothing that the number says.
	if strings.TrimSuffix(r.Digits(), ".") != strings.TrimSuffix(t.Digits, ".") && s.b.Cannot == "" {
		s.missing(i, "the digits are %q, and the truth is %q", r.Digits(), t.Digits)
	}
	if r.AuxiliaryDigits != t.Auxiliary {
		s.wrong(i, "%d auxiliary digits, and the truth is %d", r.AuxiliaryDigits, t.Auxiliary)
	}
	s.meaning(i, "stability", r.Stability.String(), t.Stability.String(), f.OpenStability)
	s.meaning(i, "kind", r.Kind.String(), t.Kind.String(), f.OpenKind)
	s.fields(i, f, r)
}

// another is a reading that is not the wanted weight. One that the same print holds too is no harm if it is called what it
// is.
func (s *scorer) another(i int, f *Frame, r *layout.Reading) {
	for _, also := range f.Also {
		if sameWeight(r, &also) && (r.Quantity != unit.Mass || r.Kind == also.Kind) {
			s.missing(i, "%s is read, and the truth is %q %s", show(r), f.Truth.Digits, f.Truth.Unit)
			return
		}
	}
	s.wrong(i, "%s, and the truth is %q %s", show(r), f.Truth.Digits, f.Truth.Unit)
}

// sameWeight compares numbers, not texts.
func sameWeight(r *layout.Reading, t *Truth) bool {
	number, err := decimal.Parse([]byte(t.Digits))
	return err == nil && r.HasNumber && r.Number.Cmp(number) == 0 && r.Unit.Key() == t.Unit
}

// meaning compares a stability or a kind: unknown is right where the bytes cannot tell.
func (s *scorer) meaning(i int, what, got, truth string, open bool) {
	switch {
	case got == truth:
	case got == "unknown" && open:
	case got == "unknown":
		s.missing(i, "the %s is unknown, and the truth is %s", what, truth)
	default:
		s.wrong(i, "the %s is %s, and the truth is %s", what, got, truth)
	}
}

// fields compares what else a print says.
func (s *scorer) fields(i int, f *Frame, r *layout.Reading) {
	t, count := &f.Truth, r.Count()
	if r.Quantity == unit.Count {
		count = t.Count
	}
	for _, x := range []struct{ what, got, truth, also string }{
		{"sample", r.Sample(), t.Sample, ""}, {"person", r.Person(), t.Person, ""}, {"balance", r.Balance(), t.Balance, ""},
		{"count", count, t.Count, ""}, {"time", r.Time(), t.Time, ""}, {"range number", r.RangeNumber(), t.RangeNumber, ""},
		{"date", r.Date(), t.Date, t.PrintedDate},
	} {
		known := x.truth != "" && (s.b.Tells.Ids || x.what == "date" || x.what == "time")
		if x.what == "date" && !s.b.Tells.DateOrder && (x.got == "" || x.got == x.also) {
			continue
		}
		if known {
			s.out.Fields++
		}
		switch {
		case x.got == x.truth && known:
			s.out.FieldsRight++
		case x.got != x.truth && x.got != "" && x.got != x.also:
			s.out.WrongFields = append(s.out.WrongFields, Finding{i, fmt.Sprintf("the %s is %q, and the truth is %q", x.what, x.got, x.truth)})
		}
	}
}

// count judges how often a print was read.
func (s *scorer) count(i, n int) {
	f := &s.b.Frames[i]
	must := f.Sort == Weight || f.Sort == Beyond && s.b.Tells.Range
	may := f.May || s.open
	switch {
	case f.Sort == Noise || f.Sort == Damaged || f.Sort == Half || f.Sort == Wide:
	case n > 1:
		s.missing(i, "one print gives %d readings", n)
	case n == 1 && f.Sort == Weight:
		s.out.Read++
	case n == 1 || !must:
	case may:
		s.out.MayRefuse++
	default:
		s.out.Refused++
		s.missing(i, "the print is not read")
	}
}
