// Package issued knows which reports were issued: of what, which number each has, and which takes the place of which. What was issued is in
// the journal, as entries of the kind report-issued, and nowhere else; the files themselves are kept beside it. The room does not make
// reports: it numbers them, so that no two have one number and none that is out is forgotten when another is issued of the same.
package issued

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/follow"
	"weighpost/gateway/record"
)

// FileName is what the room writes down beside the journal. It can be deleted at any time.
const FileName = "reports.json"

const snapshotForm = "weighpost.reports/1"

// Most is how many reports one journal may have: each is a file that backups carry.
const Most = 200_000

// ErrNoReport says that no report of a number was issued.
var ErrNoReport = errors.New("no report of that number was issued")

// Options is what a room is made of.
type Options struct {
	Dir         string // the journal's folder
	Journal     follow.Journal
	Incarnation string       // of the journal: it is in the numbers
	Log         *slog.Logger // nil: nothing is logged
}

// Room knows the reports. Run keeps it up to date; everything else may be called from any goroutine.
type Room struct {
	o    Options
	view *follow.View

	// The view's lock guards these. A report is never altered.
	list    []*record.ReportIssued
	by      map[string]*record.ReportIssued // its number
	instead map[string]string               // number: that of the report that took its place
}

// snapshot is what was known once all entries up to a sequence were read.
type snapshot struct {
	follow.Mark
	Reports []*record.ReportIssued `json:"reports"`
}

// Whole says with an error why a snapshot cannot be one that was written.
func (s *snapshot) Whole() error {
	for _, r := range s.Reports {
		if r == nil || r.Report == "" || r.Head.Seq > s.Mark.Seq {
			return errors.New("it holds a report that cannot be one")
		}
	}
	return nil
}

// New makes a room. It does not read the journal: Run does.
func New(o Options) *Room {
	r := &Room{o: o, by: map[string]*record.ReportIssued{}, instead: map[string]string{}}
	r.view = follow.New(follow.Options{Dir: o.Dir, Journal: o.Journal, Log: o.Log, Reduce: r.reduce,
		File:  follow.Keep(FileName, snapshotForm, func(s *snapshot) { r.begin(s) }, func() *snapshot { return &snapshot{Reports: slices.Clone(r.list)} }),
		Words: follow.Words{What: "which reports were issued", Of: "reports", Many: true, Busy: "another report is being issued"}})
	return r
}

func (r *Room) begin(s *snapshot) {
	for _, one := range s.Reports {
		r.add(one)
	}
}

// Run follows the journal until ctx ends.
func (r *Room) Run(ctx context.Context) { r.view.Run(ctx) }

func (r *Room) reduce(e record.Entry) error {
	if e.Kind != record.KindReportIssued {
		return nil
	}
	return follow.Into(r.view, e, func(one *record.ReportIssued) error {
		r.add(one)
		return nil
	})
}

func (r *Room) add(one *record.ReportIssued) {
	r.list = append(r.list, one)
	r.by[one.Report] = one
	if one.Replaces != "" {
		r.instead[one.Replaces] = one.Report
	}
}

// Report gives one, and the number of the one that took its place, or "".
func (r *Room) Report(number string) (one record.ReportIssued, instead string, known bool) {
	r.view.Lock()
	defer r.view.Unlock()
	if found := r.by[number]; found != nil {
		return *found, r.instead[number], true
	}
	return one, "", false
}

// List gives reports, newest first, of one thing where of and about are given. before is the number with which the page before ended.
func (r *Room) List(of, about, before string, limit int) (list []record.ReportIssued, more bool) {
	r.view.Lock()
	defer r.view.Unlock()
	begun := before == ""
	for _, one := range slices.Backward(r.list) {
		switch {
		case !begun:
			begun = one.Report == before
		case of != "" && one.Of != of || about != "" && one.About != about:
		case len(list) == limit:
			return list, true
		default:
			list = append(list, *one)
		}
	}
	return list, false
}

// Order says which report is issued. Of one thing there is one at a time in each form.
type Order struct {
	Of, About, Form string // form: "": a PDF
	Replaces, Why   string // the number of the one whose place it takes, and why; "": of none
}

// same says whether a report is one of the same thing in the same form.
func (o *Order) same(r *record.ReportIssued) bool {
	return r.Of == o.Of && r.About == o.About && r.Form == o.Form
}

// Issue numbers a report, has it made and kept, and puts it into the journal. write is given the number, and fills in all else but number,
// form, replaces and why. The error is a *record.NotDone where it cannot be issued as it is asked for, that of write, or that of the journal.
func (r *Room) Issue(ctx context.Context, o Order, write func(number string) (*record.ReportIssued, error)) (record.ReportIssued, error) {
	done, err := r.view.Take(ctx)
	if err != nil {
		return record.ReportIssued{}, err
	}
	defer done()
	if o.Form == record.ReportPDF { // entries of them have never said so
		o.Form = ""
	}
	number, err := r.next(&o)
	if err != nil {
		return record.ReportIssued{}, err
	}
	one, err := write(number)
	if err != nil {
		return record.ReportIssued{}, err
	}
	one.Report, one.Of, one.About, one.Form, one.Replaces, one.Why = number, o.Of, o.About, o.Form, o.Replaces, o.Why
	if _, err := r.view.Append(ctx, one); err != nil {
		return record.ReportIssued{}, err
	}
	return *one, nil
}

// next gives the number of the report that is issued next, if it may be.
func (r *Room) next(o *Order) (string, error) {
	r.view.Lock()
	defer r.view.Unlock()
	notDone := func(format string, a ...any) error { return &record.NotDone{Why: fmt.Sprintf(format, a...)} }
	for _, one := range slices.Backward(r.list) {
		if o.same(one) && r.instead[one.Report] == "" && one.Report != o.Replaces {
			return "", notDone("report %s of the same is out and nothing has taken its place: say that this one replaces it, and why", one.Report)
		}
	}
	switch before := r.by[o.Replaces]; {
	case len(r.list) >= Most:
		return "", notDone("%d reports are issued, and one journal has at most so many", Most)
	case o.Replaces == "" && o.Why != "":
		return "", notDone("it is said why a report is replaced, and not which")
	case o.Replaces == "":
	case before == nil:
		return "", notDone("no report %.40q was issued that this one could replace", o.Replaces)
	case !o.same(before):
		return "", notDone("report %s is of the %s %s, as %s: it is replaced by another of the same", o.Replaces, before.Of, before.About, cmp.Or(before.Form, record.ReportPDF))
	case r.instead[o.Replaces] != "":
		return "", notDone("report %s has taken the place of %s already", r.instead[o.Replaces], o.Replaces)
	case o.Why == "":
		return "", notDone("why report %s is replaced is missing", o.Replaces)
	}
	last := uint64(0)
	for _, one := range r.list {
		if digits, ours := strings.CutPrefix(one.Report, "rep-"+r.o.Incarnation+"-"); ours {
			if n, err := strconv.ParseUint(digits, 10, 64); err == nil {
				last = max(last, n)
			}
		}
	}
	return fmt.Sprintf("rep-%s-%06d", r.o.Incarnation, last+1), nil
}
