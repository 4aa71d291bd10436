package intake

import (
	"context"
	"fmt"

	"weighpost/gateway/record"
	"weighpost/parsers/gs1"
)

// Scan takes a code that was scanned, or typed, in a page or by a program, by the rules of the balance's scanner, and returns what is
// held once the entry is durable. The error is as of SetContext. It may be called from any goroutine.
func (in *Intake) Scan(ctx context.Context, s record.ScanRequest) (record.ContextView, error) {
	in.arriving.Add(1)
	view, done, badge, gone, err := in.scanned(s)
	if err != nil {
		return view, err
	}
	if badge != nil {
		select {
		case err = <-badge.answer:
			return in.Context(), err
		case <-ctx.Done():
			return view, fmt.Errorf("balance %s: it is not known yet whose badge it is: %w", in.about.ID, ctx.Err())
		}
	}
	return in.durably(ctx, view, done, gone)
}

func (in *Intake) scanned(s record.ScanRequest) (view record.ContextView, done *awaited, badge *awaitedBadge, gone <-chan struct{}, err error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	now := in.now()
	if s.At.IsZero() || s.At.After(now) {
		s.At = now
	}
	in.dueAt(now)
	r := record.ContextRequest{By: record.ByScanned, Where: s.Where, Actor: s.Actor, Raw: []byte(s.Symbology + s.Raw), Confirm: s.Confirm, Request: s.Request, At: s.At}
	if s.Typed {
		r.By = record.ByTyped
	}
	m := moment{r.At, r.At}
	if _, _, ours := record.CardOf(s.Raw); in.cfg.Scanner == nil && !ours {
		if badge = in.forRun("", s.Raw, &r); badge == nil {
			err = in.refuseContext(&r, nil, "No rules say what a scan means at this balance: configure its scanner.", false)
		}
	} else {
		done, badge, err = in.scanMeans(s.Symbology, s.Raw, s.Typed, &r, m, s.Others)
	}
	in.arriving.Add(-1)
	in.settle(now)
	in.reckonDue()
	return in.view(now), done, badge, in.gone, err
}

// scanMeans carries out what a scan means by the rules. others says that it may name another person than who asks.
func (in *Intake) scanMeans(symbology, text string, typed bool, r *record.ContextRequest, m moment, others bool) (done *awaited, badge *awaitedBadge, err error) {
	if step, balance, ours := record.CardOf(text); ours {
		if runCards[step] {
			if badge = in.forRun(step, "", r); badge != nil {
				return nil, badge, nil
			}
		}
		done, err = in.card(step, balance, r, m)
		return done, nil, err
	}
	what, why := in.cfg.Scanner.request(symbology, text, typed, r)
	if r.Person != nil && !others && why == "" && (r.Actor == nil || r.Person.ID != r.Actor.ID) {
		why = "Whoever sends it may tie weighings to themselves only: let the person sign in."
	}
	if what == (meaning{}) && r.Person == nil && !r.SignOut {
		if badge = in.forRun("", textFor(text, r), r); badge != nil {
			return nil, badge, nil
		}
	}
	if why != "" && what.person {
		was := in.context.held(record.ItemPerson, r.At)
		in.dropBadge()
		id := ""
		if was != nil {
			id = was.id
		}
		return nil, nil, in.badgeRefused(r, m, id, why)
	}
	if why != "" {
		return nil, nil, in.refuseContext(r, nil, why, false) // the entry and the condition say it
	}
	if what.badge != "" {
		return nil, in.badge(what.badge, *r, m), nil
	}
	if what.label != "" {
		if done, why = in.confirm(what.label, r); why != "" {
			return nil, nil, in.refuseContext(r, nil, why, false)
		}
		if !r.Names() {
			return done, nil, nil
		}
	}
	if done, err = in.change(r, m); err == nil {
		in.used(r.At)
	}
	return done, nil, err
}

// meaning is what a scan is beside a request: the label of a balance, or a badge.
type meaning struct {
	label, badge string
	person       bool // it was meant to be somebody's badge
}

// elements fills in what the elements of a GS1 code ask for, or says why they ask for nothing.
func (rule *ScanRule) elements(data string, typed bool, r *record.ContextRequest) (what meaning, why string) {
	list, err := gs1.Parse(data, rule.Separators)
	if typed && len(data) > 0 && data[0] == '(' {
		list, err = gs1.ParseBracketed(data)
	}
	if err != nil {
		return what, "It is no GS1 element string: " + err.Error() + "."
	}
	named := false
	for _, e := range list {
		switch item := rule.GS1[e.AI]; item {
		case "":
			continue
		case gs1Balance:
			what.label = e.Value
		case gs1Expires:
			continue // below, once there is a sample
		default:
			set(r, item, &record.ContextItem{ID: e.Value})
		}
		named = true
	}
	if !named {
		return what, fmt.Sprintf("None of its application identifiers (%s) means anything here: add them to gs1 in the rules, or scan the right label.", identifiers(list))
	}
	for _, e := range list {
		if rule.GS1[e.AI] != gs1Expires || r.Sample == nil {
			continue
		}
		day, ok := e.Date(r.At)
		if !ok {
			return what, fmt.Sprintf("AI (%s) is %q, which is no day.", e.AI, e.Value)
		}
		r.Sample.Ends = day.AddDate(0, 0, 1) // it may be used on that day
	}
	return what, ""
}

func identifiers(list []gs1.Element) (text string) {
	for i, e := range list {
		if i > 0 {
			text += ", "
		}
		text += e.AI
	}
	return text
}

// set puts an item into a request by its name.
func set(r *record.ContextRequest, name string, item *record.ContextItem) {
	if place := r.Item(name); place != nil {
		*place = item
		return
	}
	if r.Fields == nil {
		r.Fields = map[string]*record.ContextItem{}
	}
	r.Fields[name] = item
}
