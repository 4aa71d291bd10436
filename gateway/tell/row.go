package tell

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Row is what an entry says, spread over the columns of an export. Texts are those of the entry, unchanged; what an entry does
// not say is empty.
type Row struct {
	Seq  uint64
	ID   string
	Kind record.Kind

	UTC   string // the stamp as it was written, RFC 3339 with six decimals
	Time  time.Time
	Bound string // seconds, as written; empty where it is unknown
	Clock string // state of the clock
	// Corrected is what the stamp should have said, as a later entry tells, with what that may be off in seconds.
	Corrected, CorrectedBound string
	CorrectedTime             time.Time

	Balance                                                string
	Digits, Unit, PrintedUnit, ValueKind, Stability, Range string
	Sample, Person, Method, Run, Lot                       string

	What, Why string // for people
}

// RowOf reads an entry, with what later entries say of its stamp. The error is a sentence that names the entry.
func RowOf(e record.Entry, corrections *record.Corrections) (Row, error) {
	r := Row{Seq: e.Seq, ID: e.ID, Kind: e.Kind, Balance: e.Balance}
	fill := r.other
	if e.Kind.Numbered() {
		fill = r.weighing
	}
	if err := fill(e.JSON); err != nil {
		return Row{}, fmt.Errorf("entry %d cannot be read: %w. Run: weighpost journal verify", e.Seq, err)
	}
	if c, ok := corrections.OfEntry(e); ok {
		r.Corrected, r.CorrectedBound, r.CorrectedTime = c.UTC.String(), spanText(&c.Bound), c.UTC.Time()
	}
	return r, nil
}

func (r *Row) stamp(s *record.Stamp) {
	r.UTC, r.Time, r.Bound, r.Clock = s.UTC.String(), s.UTC.Time(), spanText(s.Bound), s.Clock
}

// spanText writes a span of time as the entry does.
func spanText(s *record.Span) string {
	if s == nil {
		return ""
	}
	b, err := s.MarshalJSON()
	if err != nil {
		return "" // a negative span cannot come out of JSON
	}
	return string(b)
}

// weighing reads a weighing or a result.
func (r *Row) weighing(raw []byte) error {
	var w record.Weighing
	if err := json.Unmarshal(raw, &w); err != nil {
		return err
	}
	r.stamp(&w.Stamp)
	v := &w.Value
	r.Digits, r.Unit, r.PrintedUnit, r.ValueKind, r.Stability, r.Range = v.Digits, v.Unit, v.PrintedUnit, v.Kind, v.Stability, v.Range
	c := &w.Context
	r.Sample, r.Person, r.Method, r.Run, r.Lot = learnt(c.Sample), learnt(c.Person), learnt(c.Method), learnt(c.Run), learnt(c.Lot)

	var p parts
	p.add(v.Range != "in", "%s range: no value", v.Range)
	p.add(v.Kind != "unknown", "%s", v.Kind)
	p.add(v.Stability != "unknown", "%s", v.Stability)
	p.add(v.AuxiliaryDigits > 0, "auxiliary digits: %d", v.AuxiliaryDigits)
	for _, one := range w.Verdicts {
		p.verdict(&one)
	}
	unfit := Unfit(w.Fitness.State)
	p.add(unfit != "", "%s", unfit)
	p.add(w.Fitness.Held, "held back until somebody releases it")
	p.add(w.Balance.Identity == "unconfirmed", "identity of the balance unconfirmed")
	p.add(w.Stamp.Stalled != nil, "may have waited %s s before it was read", spanText(w.Stamp.Stalled))
	p.add(w.Stamp.BalancePrinted != "", "the balance printed the time %s", w.Stamp.BalancePrinted)
	p.members("", c.Fields)
	p.printed(w.Printed)
	p.add(w.Trigger != "", "capture: %s", w.Trigger)
	r.What = p.String()
	return nil
}

// Unfit says of the state that a balance was in what somebody who reads its weighing has to know; "": nothing.
func Unfit(state string) string {
	switch state {
	case record.OutOfService:
		return "balance out of service"
	case record.CheckOverdue:
		return "check of the balance overdue"
	case record.InCheck:
		return "balance in check"
	}
	return ""
}

func learnt(l *record.Learnt) string {
	if l == nil {
		return ""
	}
	return l.ID
}

// parts are pieces of a sentence.
type parts []string

func (p *parts) add(given bool, format string, args ...any) {
	if given {
		*p = append(*p, fmt.Sprintf(format, args...))
	}
}

func (p parts) String() string { return strings.Join(p, "; ") }

func (p *parts) verdict(v *record.Verdict) {
	word := "passed"
	switch {
	case v.NotJudged && v.Why != "":
		*p = append(*p, spaced(v.Rule)+" not judged: "+v.Why)
		return
	case v.NotJudged:
		word = "not judged"
	case !v.Pass:
		word = "NOT passed"
	}
	text := spaced(v.Rule) + " " + word
	if v.Limit != "" {
		text += ", limit " + v.Limit
	}
	if v.From != "" {
		text += " (" + v.From + ")"
	}
	if v.Why != "" {
		text += ", " + v.Why
	}
	*p = append(*p, text)
}

func (p *parts) members(prefix string, fields map[string]string) {
	for _, name := range sortedKeys(fields) {
		p.add(true, "%s%s %s", prefix, spaced(name), fields[name])
	}
}

// printed tells what else the balance printed.
func (p *parts) printed(x *record.Printed) {
	if x == nil {
		return
	}
	for _, one := range [][2]string{
		{"person", x.Person}, {"sample", x.Sample}, {"balance", x.Balance}, {"count", x.Count}, {"date", x.Date}, {"time", x.Time},
		{"range", x.RangeNumber}, {"check characters", x.Check},
	} {
		p.add(one[1] != "", "printed %s %s", one[0], one[1])
	}
}
