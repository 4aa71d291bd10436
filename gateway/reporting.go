package gateway

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/gateway/review"
)

// mostTold is how many entries a report may tell of.
const mostTold = 20_000

// drafted is a report before it has a number.
type drafted struct {
	told report.Told
	run  *record.RunRef
	make func(report.Told) (report.Subject, error)
}

// file makes it in a form, with a number or, as a preview, without.
func (d *drafted) file(form, number, replaces, why string, issued *report.Issue) ([]byte, error) {
	t := d.told
	t.Number, t.Replaces, t.Why, t.Issued = number, replaces, why, issued
	s, err := d.make(t)
	if err != nil {
		return nil, err
	}
	return report.File(s, form)
}

// draft gathers what a report tells of.
func (g *Gateway) draft(ctx context.Context, q console.ReportAsked) (d *drafted, err error) {
	cfg := g.now.Load().cfg
	t, err := cfg.Reports.Template(q.Of, q.Template)
	switch programs := record.ForPrograms(q.Form); {
	case err != nil:
		return nil, &record.RequestRefused{Why: err.Error()}
	case programs && (q.Of != report.OfRun || q.Template != ""):
		return nil, &record.RequestRefused{Why: fmt.Sprintf("the form %s is for reports of a run, and has no template", q.Form)}
	case programs:
		t = report.Template{}
	}
	switch q.Of {
	case report.OfRun:
		d, err = g.draftRun(ctx, q.About)
	case report.OfDay:
		d, err = g.draftDay(ctx, q.About)
	case report.OfSample:
		d, err = g.draftSample(ctx, q.About)
	case report.OfBalance:
		d, err = g.draftBalance(ctx, q.About)
	case report.OfCheck:
		d, err = g.draftCheck(ctx, q.About)
	default:
		d, err = g.draftTrail(ctx, q.About)
	}
	if err != nil {
		return nil, err
	}
	d.told.Site, d.told.Version, d.told.Template, d.told.Model = cfg.Site, Version(), t, cfg.Reports.Laboratory
	return d, nil
}

// PreviewReport gives a report as it would be issued now.
func (g *Gateway) PreviewReport(ctx context.Context, q console.ReportAsked) ([]byte, error) {
	d, err := g.draft(ctx, q)
	if err != nil {
		return nil, err
	}
	return d.file(q.Form, "", "", "", nil)
}

// gathered are entries on their way into a report: each once.
type gathered map[uint64]record.Entry

// add reads entries that a filter wants, of them those that keep lets through; nil lets all through.
func (g *Gateway) add(ctx context.Context, all gathered, f index.Filter, keep func(record.Entry) bool) error {
	if err := f.Validate(); err != nil {
		return &record.RequestRefused{Why: err.Error()}
	}
	err := g.eachEntry(ctx, f, func(e record.Entry) {
		if len(all) <= mostTold && (keep == nil || keep(e)) {
			all[e.Seq] = e
		}
	})
	if err == nil {
		err = all.bounded()
	}
	return err
}

// bounded says that a report would tell of too much.
func (all gathered) bounded() error {
	if len(all) > mostTold {
		return &record.NotDone{Why: fmt.Sprintf("a report tells of at most %d entries, and this one would of more: take a shorter span, or an export", mostTold)}
	}
	return nil
}

// sorted gives them in the order of the journal.
func (all gathered) sorted() []record.Entry {
	list := make([]record.Entry, 0, len(all))
	for _, e := range all {
		list = append(list, e)
	}
	slices.SortFunc(list, func(a, b record.Entry) int { return cmp.Compare(a.Seq, b.Seq) })
	return list
}

// ofRuns are the kinds of entry by which what ended goes on: changes, reviews and signatures, and what came of slips.
var ofRuns = []record.Kind{record.KindRunCorrected, record.KindRunReviewed, record.KindSignature, record.KindLateDecided}

// draftRun gathers what there is about a run: the entries that a signature would cover, and what lies about them. That somebody looked it over
// changes nothing of it, and is not among them: a report does not become another because it was read.
func (g *Gateway) draftRun(ctx context.Context, id string) (*drafted, error) {
	v, err := g.Run(ctx, id)
	switch {
	case err != nil:
		return nil, err
	case v.Ended == nil:
		return nil, &record.NotDone{Why: "the run " + id + " is open: there is a report once it has ended"}
	}
	if err := g.review.Reached(ctx, v.Ended.Seq); err != nil {
		return nil, err
	}
	one, err := g.review.Of(ctx, id)
	if err != nil {
		return nil, err
	}
	begun, all := one.BegunBy, gathered{}
	for _, e := range one.Entries {
		all[e.Seq] = e
	}
	if err := all.bounded(); err != nil {
		return nil, err
	}
	for _, b := range v.Ended.Balances {
		f := index.Filter{Kinds: []record.Kind{record.KindUnread, record.KindUnreadSummary}, Balance: b, After: begun.Seq, Before: v.Ended.Seq}
		if err := g.add(ctx, all, f, nil); err != nil {
			return nil, err
		}
	}
	if err := g.addDecided(ctx, all, begun.Seq); err != nil {
		return nil, err
	}
	r := report.Run{Begun: begun, Ended: v.Ended, Title: v.Title, Cautions: v.Cautions, Labels: map[string]string{}, UnderAssessment: g.underAssessment(ctx, one.Assessed, all)}
	for _, s := range v.Steps {
		r.Steps = append(r.Steps, report.RunStep{RunStep: s.RunStep, Counts: s.Counts})
		if s.Label != "" {
			r.Labels[s.Step] = s.Label
		}
	}
	return &drafted{report.Told{Entries: all.sorted()}, &v.Ended.Run, func(t report.Told) (report.Subject, error) {
		made := r
		made.Told = t
		return report.NewRun(made)
	}}, nil
}

// addDecided adds what came of slips that are among the entries.
func (g *Gateway) addDecided(ctx context.Context, all gathered, after uint64) error {
	slips := map[string]bool{}
	for _, e := range all {
		if e.Kind == record.KindLateEntered {
			slips[e.ID] = true
		}
	}
	if len(slips) == 0 {
		return nil
	}
	return g.add(ctx, all, index.Filter{Kinds: []record.Kind{record.KindLateDecided}, After: after}, func(e record.Entry) bool { return slips[decidedOf(e)] })
}

func decidedOf(e record.Entry) string {
	var d struct{ Entered record.EntryRef }
	_ = json.Unmarshal(e.JSON, &d) // of none, then
	return d.Entered.ID
}

// underAssessment names the first of the failed checks that cover a weighing of a run and that nobody has judged yet, and adds the entry of its end.
func (g *Gateway) underAssessment(ctx context.Context, by []review.Assessed, all gathered) string {
	if len(by) == 0 {
		return ""
	}
	if end, err := g.olderCheck(ctx, by[0].Balance, by[0].Check); err == nil {
		if entry, err := g.entryAt(ctx, end.Seq); err == nil {
			all[entry.Seq] = entry
		}
	}
	return by[0].Check
}

// draftDay gathers what was weighed on a date of the place.
func (g *Gateway) draftDay(ctx context.Context, about string) (*drafted, error) {
	date, balance, _ := strings.Cut(about, "/")
	day, err := time.ParseInLocation(time.DateOnly, date, time.Local)
	if err != nil {
		return nil, &record.RequestRefused{Why: fmt.Sprintf("%.40q is no date: a day is 2026-11-30, or with one balance 2026-11-30/b-12", date)}
	}
	all := gathered{}
	f := index.Filter{From: day, To: day.AddDate(0, 0, 1), Balance: balance, Kinds: []record.Kind{record.KindWeighing, record.KindResult, record.KindLateEntered,
		record.KindUnread, record.KindUnreadSummary, record.KindRunEnded}}
	if err := g.add(ctx, all, f, nil); err != nil {
		return nil, err
	}
	if err := g.addLater(ctx, all); err != nil {
		return nil, err
	}
	d := report.Day{Date: date, Balance: balance, Zone: zoneOf(day)}
	return &drafted{report.Told{Entries: all.sorted()}, nil, func(t report.Told) (report.Subject, error) {
		one := d
		one.Told = t
		return report.NewDay(one)
	}}, nil
}

// zoneOf says in which zone a day begins: its name, where it has one that says something, and how far it is from UTC.
func zoneOf(day time.Time) string {
	if name := day.Location().String(); name != "Local" && name != "" {
		return name + ", UTC" + day.Format("-07:00")
	}
	return "the time of the place, UTC" + day.Format("-07:00")
}

// addLater adds what became later of the runs and weighings that are among the entries.
func (g *Gateway) addLater(ctx context.Context, all gathered) error {
	runs, ids, first := map[string]bool{}, map[string]bool{}, uint64(0)
	for _, e := range all {
		ids[e.ID] = true
		if e.Kind == record.KindRunEnded {
			runs[of(e)] = true
		}
		if first == 0 || e.Seq < first {
			first = e.Seq
		}
	}
	if first == 0 {
		return nil
	}
	return g.add(ctx, all, index.Filter{Kinds: ofRuns, After: first}, func(e record.Entry) bool {
		var one struct {
			Act string
			Of  record.EntryRef
		}
		_ = json.Unmarshal(e.JSON, &one) // of nothing, then
		return one.Act != record.ActLook && (runs[of(e)] || ids[one.Of.ID] || ids[decidedOf(e)])
	})
}

// draftSample gathers what was weighed for a sample, and the runs that it was in.
func (g *Gateway) draftSample(ctx context.Context, id string) (*drafted, error) {
	all := gathered{}
	kinds := []record.Kind{record.KindWeighing, record.KindResult, record.KindLateEntered}
	if err := g.add(ctx, all, index.Filter{Kinds: kinds, Sample: id}, nil); err != nil {
		return nil, err
	}
	inRun := func(e record.Entry) bool {
		var r struct{ Items []record.RunItem }
		return json.Unmarshal(e.JSON, &r) == nil && slices.ContainsFunc(r.Items, func(i record.RunItem) bool { return i.Sample == id })
	}
	if err := g.add(ctx, all, index.Filter{Kinds: []record.Kind{record.KindRunEnded}}, inRun); err != nil {
		return nil, err
	}
	var moved []record.EntryRef // weighings that turned out to be of this sample
	err := g.add(ctx, all, index.Filter{Kinds: []record.Kind{record.KindRunCorrected}}, func(e record.Entry) bool {
		var c record.RunCorrected
		ours := json.Unmarshal(e.JSON, &c) == nil && c.Change == record.CorrectAmend && c.Field == record.ItemSample && c.After == id
		if ours {
			moved = append(moved, c.Of)
		}
		return ours
	})
	for _, ref := range moved {
		if err == nil {
			all[ref.Seq], err = g.entryAt(ctx, ref.Seq)
		}
	}
	if err == nil {
		err = g.addLater(ctx, all)
	}
	if err == nil && len(all) == 0 {
		err = &record.NotDone{Why: "nothing was weighed for a sample of that id, and it was in no run that ended"}
	}
	return &drafted{report.Told{Entries: all.sorted()}, nil, func(t report.Told) (report.Subject, error) {
		return report.NewSample(report.Sample{Told: t, ID: id})
	}}, err
}

// draftBalance gathers the checks of a balance, its states, and what was done to it.
func (g *Gateway) draftBalance(ctx context.Context, id string) (*drafted, error) {
	b := g.describe(id)
	if b == nil {
		return nil, record.ErrNoBalance
	}
	all := gathered{}
	err := g.add(ctx, all, index.Filter{Kinds: []record.Kind{record.KindCheckEnded, record.KindFitnessChanged, record.KindUpkeep}, Balance: id}, nil)
	return &drafted{report.Told{Entries: all.sorted()}, nil, func(t report.Told) (report.Subject, error) {
		return report.NewBalance(report.Balance{Told: t, Of: *b})
	}}, err
}

// describe says what a balance is that is configured; nil: none of that id is.
func (g *Gateway) describe(id string) *record.Balance {
	for _, b := range g.now.Load().cfg.Balances {
		if b.ID == id {
			d := b.Describe("")
			return &d
		}
	}
	return nil
}

// draftCheck gathers a check that has ended.
func (g *Gateway) draftCheck(ctx context.Context, about string) (*drafted, error) {
	balance, _, _ := strings.Cut(about, "/")
	found, err := g.CheckEnded(ctx, balance, about)
	if err != nil {
		return nil, err
	}
	all := gathered{}
	for _, ref := range append([]record.EntryRef{found.Ended.Begun, {Seq: found.Ended.Seq}}, found.Ended.Steps...) {
		if all[ref.Seq], err = g.entryAt(ctx, ref.Seq); err != nil {
			return nil, err
		}
	}
	var first *record.Entry // the state that followed
	err = g.add(ctx, gathered{}, index.Filter{Kinds: []record.Kind{record.KindFitnessChanged}, Balance: balance, After: found.Ended.Seq}, func(e record.Entry) bool {
		var f record.FitnessChanged
		if json.Unmarshal(e.JSON, &f) == nil && f.Check == about && first == nil {
			first = &e
		}
		return false
	})
	if first != nil {
		all[first.Seq] = *first
	}
	return &drafted{report.Told{Entries: all.sorted()}, nil, func(t report.Told) (report.Subject, error) { return report.NewCheck(t) }}, err
}

// draftTrail gathers a span of the journal.
func (g *Gateway) draftTrail(ctx context.Context, span string) (*drafted, error) {
	f, words, err := spanOf(span)
	if err != nil {
		return nil, &record.RequestRefused{Why: err.Error()}
	}
	all := gathered{}
	err = g.add(ctx, all, f, nil)
	if err == nil && len(all) == 0 {
		err = &record.NotDone{Why: "there is no entry in that span"}
	}
	return &drafted{report.Told{Entries: all.sorted()}, nil, func(t report.Told) (report.Subject, error) {
		return &report.Trail{Told: t, Span: span, Filter: words}, nil
	}}, err
}

// spanOf reads a span of the trail: two dates of the place, both included, or two sequences, likewise. It gives in words which entries that are.
func spanOf(span string) (f index.Filter, words string, err error) {
	wrong := errors.New("a span of the trail is two dates with a slash between, 2026-11-29/2026-11-30, or two sequences with a dash, 120-240")
	if from, to, dates := strings.Cut(span, "/"); dates {
		var last time.Time
		if f.From, err = time.ParseInLocation(time.DateOnly, from, time.Local); err != nil {
			return f, "", wrong
		}
		if last, err = time.ParseInLocation(time.DateOnly, to, time.Local); err != nil || last.Before(f.From) {
			return f, "", wrong
		}
		f.To = last.AddDate(0, 0, 1)
		return f, fmt.Sprintf("every entry stamped at or after %s and before %s", f.From.Format(time.RFC3339), f.To.Format(time.RFC3339)), nil
	}
	from, to, _ := strings.Cut(span, "-")
	first, ferr := strconv.ParseUint(from, 10, 62)
	last, lerr := strconv.ParseUint(to, 10, 62)
	if ferr != nil || lerr != nil || first == 0 || last < first {
		return f, "", wrong
	}
	f.After, f.Before = first-1, last+1
	return f, fmt.Sprintf("every entry from %d through %d", first, last), nil
}
