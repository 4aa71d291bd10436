package intake

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// SetContext changes what the next weighings are tied to, and returns what is held then, once the entry of the act is
// durable. A request that is not carried out is an error of type *record.ContextRefused, and an entry too. It may be called
// from any goroutine.
func (in *Intake) SetContext(ctx context.Context, r record.ContextRequest) (record.ContextView, error) {
	in.arriving.Add(1) // weighings wait for a request that is on its way
	view, done, gone, err := in.request(r)
	if err != nil {
		return view, err
	}
	return in.durably(ctx, view, done, gone)
}

// durably waits until the entry of an act is in the journal.
func (in *Intake) durably(ctx context.Context, view record.ContextView, done *awaited, gone <-chan struct{}) (_ record.ContextView, err error) {
	select {
	case <-done.id:
		return view, nil
	case <-gone:
		err = fmt.Errorf("weighpost stops")
	case <-ctx.Done():
		err = ctx.Err()
	}
	return view, fmt.Errorf("balance %s: the context is set, and its entry is not in the journal yet: %w", in.about.ID, err)
}

func (in *Intake) request(r record.ContextRequest) (_ record.ContextView, done *awaited, gone <-chan struct{}, err error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	now := in.now()
	if r.At.IsZero() || r.At.After(now) {
		r.At = now
	}
	in.dueAt(now)
	if done, err = in.confirmBy(&r); err == nil && (done == nil || r.Names()) {
		done, err = in.change(&r, moment{r.At, r.At})
	}
	in.arriving.Add(-1)
	in.settle(now)
	in.reckonDue()
	return in.view(now), done, in.gone, err
}

// Context gives what is held now. It may be called from any goroutine.
func (in *Intake) Context() record.ContextView {
	in.mu.Lock()
	defer in.mu.Unlock()
	now := in.now()
	in.dueAt(now)
	in.reckonDue()
	return in.view(now)
}

func (in *Intake) view(now time.Time) record.ContextView {
	v := record.ContextView{Balance: in.about.ID, Identity: in.identity.state, Items: []record.ContextHeld{}}
	for _, name := range in.context.names() {
		h := in.context.held(name, now)
		if h == nil || name == record.ItemPerson && in.badging.waiting { // a badge was scanned: who stands there is not known yet
			continue
		}
		item := record.ContextHeld{Name: name, ID: h.id, By: h.by, Since: h.since, Age: record.Span(max(now.Sub(h.since.Time()), 0).Truncate(time.Millisecond)),
			From: h.where, Actor: h.actor, Person: h.name, Role: h.role, How: h.how}
		if uses := h.uses; uses >= 0 {
			item.Uses = &uses
		}
		if ends := h.ends(); !ends.IsZero() {
			until := in.clock.Stamp(ends).UTC
			item.Until = &until
		}
		v.Items = append(v.Items, item)
	}
	return v
}

// change carries a request out, or refuses it with an entry. done is its entry.
func (in *Intake) change(r *record.ContextRequest, m moment) (done *awaited, err error) {
	sentence := ""
	if r.Step != "" {
		var why string
		if sentence, why = in.step(r); why != "" {
			return nil, in.refuseContext(r, nil, why, false)
		}
	}
	named := items(r)
	verdict := in.judgeSample(r, named)
	if r.Step == record.StepRepeat && verdict.action == asks && in.meansAgain(verdict) {
		verdict.action = accepts
	}
	if r.Sure && verdict.action == asks {
		verdict.action = accepts
	}
	if why := in.unfit(r, named); why != "" {
		return nil, in.refuseContext(r, named, why, r.By == record.ByScanned)
	}
	if why := in.sessionOver(named[record.ItemPerson]); why != "" {
		return nil, in.refuseContext(r, named, why, false)
	}
	in.lookAround()
	open := in.unsettled()
	for len(open) > 0 && open[0].m.before(m) {
		open = open[1:]
	}
	if r.SignOut || r.Whole {
		for _, name := range in.context.names() {
			if named[name] == nil {
				named[name] = &record.ContextItem{}
			}
		}
	}
	names := slices.Collect(maps.Keys(named))
	overlaps := slices.ContainsFunc(open, func(t *ticket) bool { return !m.before(t.m) })
	if overlaps {
		for _, t := range open {
			t.doubts(names)
		}
		open = nil
	}
	switch late := !in.sealed.before(m); {
	case r.SignOut:
	case late || overlaps:
		return nil, in.refuseContext(r, named, "The balance printed while this was on its way, and which came first is not known: set it again.", true)
	case in.superseded(names, m):
		return nil, in.refuseContext(r, named, "Something newer was set while this was on its way.", false)
	}
	if verdict.action == asks {
		yes, soon := in.confirmed(r, named, verdict)
		if yes {
			verdict.action = accepts
		} else if soon {
			return nil, in.refuseContext(r, nil, "The scanner read it twice: scan it once more if it is meant.", false)
		}
	}
	if verdict.action != accepts {
		return nil, in.notTaken(r, m, open, verdict)
	}
	return in.apply(r, named, m, open, verdict, sentence), nil
}

// unfit says why a request cannot be carried out whenever it came, or "".
func (in *Intake) unfit(r *record.ContextRequest, named map[string]*record.ContextItem) string {
	if waiting, _ := in.out.count(); waiting >= room || in.over || in.gone == nil {
		return "It could not be journalled: recording does not keep up, or this balance is not being read. Try again."
	}
	in.changes.over(r.At)
	before := in.context.shown(r.At)
	if ends := r.SignOut && !before.Empty(); !in.changes.takeOf(r.At, changesPerMinute) && !ends {
		return fmt.Sprintf("More than %d changes of this balance's context came within a minute: see what sends them.", changesPerMinute)
	}
	if len(named) == 0 && !r.Whole && !r.SignOut {
		return "It names nothing that should change."
	}
	for name := range r.Fields {
		if err := record.CheckFieldName(name); err != nil {
			return fmt.Sprintf("The name %q %v.", name, err)
		}
	}
	for name, item := range named {
		if item.ID == "" {
			continue
		}
		if err := record.CheckContextID(item.ID); err != nil {
			return fmt.Sprintf("The id of %s %v.", name, err)
		}
		if item.For < 0 || item.For > longestFor || item.Uses > mostUses {
			return fmt.Sprintf("The limits of %s are out of range.", name)
		}
	}
	if !in.context.room(named, r.At) {
		return fmt.Sprintf("More than %d fields would be held.", mostFields)
	}
	return ""
}

// lookAround notes it where nothing is on its way from the balance: what it prints from now on comes after now.
func (in *Intake) lookAround() {
	if l, ok := in.line.(quieter); ok {
		now := in.now()
		if quiet, known := l.Quiet(); quiet && known {
			in.arrivals.look(now)
		}
	}
}

// superseded says whether one of the items was set by something that surely came later.
func (in *Intake) superseded(names []string, m moment) bool {
	return slices.ContainsFunc(names, func(name string) bool {
		t := in.context[name]
		return t != nil && m.before(t.now.m) && !t.now.m.before(m)
	})
}

// apply puts the items in force from a moment on, also for the open weighings that came after it. why is what the entry of a step says.
func (in *Intake) apply(r *record.ContextRequest, named map[string]*record.ContextItem, m moment, open []*ticket, verdict *ruling, why string) *awaited {
	e := in.changeEntry(r, cmp.Or(r.Step, "set"), why)
	if in.signedOut = r.SignOut; r.SignOut {
		e.Cause = "signed-out"
	}
	e.Verdicts = verdict.verdicts
	if named[record.ItemPerson] != nil {
		in.dropBadge()
	}
	if r.SignOut || named[record.ItemSample] != nil {
		in.answers.sample = ""
	}
	for _, name := range in.endWithBefore(r, named, m) {
		if named[name] == nil {
			named[name] = &record.ContextItem{}
		}
	}
	for _, name := range inOrder(named) {
		item := named[name]
		var h *heldItem
		if item.ID != "" {
			h = in.newItem(name, item, r, e.Stamp.UTC)
			in.bringAlong(name, h, verdict)
		} else if in.context.held(name, r.At) == nil {
			continue // nothing to end
		}
		in.context.set(name, version{m, h})
	}
	e.After = in.context.shown(r.At)
	for _, t := range open {
		for name := range named {
			t.give(name, in.context.nowItem(name))
		}
	}
	in.board.Clear(contextRefused, in.cfg.ID)
	done := in.await(e)
	if len(open) == 0 || !in.out.insert(e, open[0].body) {
		in.put(e, e.Stamp)
	}
	return done
}

func (in *Intake) newItem(name string, item *record.ContextItem, r *record.ContextRequest, since record.UTC) *heldItem {
	if name == record.ItemSample && r.Step == record.StepRepeat {
		return in.onceMore(r)
	}
	d := in.cfg.Context.hold(name)
	h := &heldItem{id: item.ID, by: r.By, since: since, used: r.At, idle: time.Duration(d.Idle), uses: item.Uses,
		label: item.Ends, where: r.Where, actor: r.Actor, name: item.Name, role: item.Role, how: item.How}
	if name == record.ItemPerson && item.How != "" {
		h.by = record.BySignedIn // whoever typed or scanned it showed who they are
	}
	if h.uses == 0 {
		h.uses = d.Uses
	}
	length := item.For
	if length == 0 {
		length = time.Duration(d.For)
	}
	if length > 0 {
		h.until = r.At.Add(length)
	}
	if name == record.ItemPerson {
		in.limitPerson(h, item, r.At)
	}
	return h
}

// inOrder lists what is named, the sample before what it brings along.
func inOrder(named map[string]*record.ContextItem) []string {
	names := slices.Sorted(maps.Keys(named))
	if i := slices.Index(names, record.ItemSample); i > 0 {
		names = slices.Insert(slices.Delete(names, i, i+1), 0, record.ItemSample)
	}
	return names
}

// bringAlong has an item that came with a sample hold for as long as the sample does.
func (in *Intake) bringAlong(name string, h *heldItem, verdict *ruling) {
	if name == record.ItemSample {
		h.verdicts = verdict.verdicts
	}
	if verdict.brought[name] {
		h.by, h.where, h.actor, h.until, h.idle, h.uses = record.BySent, verdict.from, nil, time.Time{}, 0, -1
		h.with = in.context.nowItem(record.ItemSample)
	}
}

// endWithBefore ends what goes with what the request replaces: with a sample, what that had brought along; with a person who is scanned
// in place of another, the sample that was put on for that one. It gives what ended.
func (in *Intake) endWithBefore(r *record.ContextRequest, named map[string]*record.ContextItem, m moment) (ended []string) {
	person := in.context.held(record.ItemPerson, r.At)
	other := named[record.ItemPerson] != nil && person != nil && named[record.ItemPerson].ID != person.id
	if named[record.ItemSample] != nil || other && (r.By == record.ByScanned || r.By == record.BySignedIn) && in.context.held(record.ItemSample, r.At) != nil {
		in.unsure = unsure{}
		item := in.context.nowItem(record.ItemSample)
		for name, t := range in.context {
			if t.now.item != nil && t.now.item.with != nil && t.now.item.with == item {
				ended = append(ended, name)
			}
		}
		if named[record.ItemSample] == nil {
			ended = append(ended, record.ItemSample)
		}
	}
	return ended
}

// items gives what a request names.
func items(r *record.ContextRequest) map[string]*record.ContextItem {
	named := maps.Clone(r.Fields)
	if named == nil {
		named = map[string]*record.ContextItem{}
	}
	maps.DeleteFunc(named, func(_ string, item *record.ContextItem) bool { return item == nil })
	for _, name := range fixedItems {
		if item := *r.Item(name); item != nil {
			named[name] = item
		}
	}
	return named
}

// expire tells of the items whose time has run out.
func (in *Intake) expire(now time.Time) {
	in.endShift(now)
	names := in.context.expired(now)
	if len(names) == 0 {
		return
	}
	e := &record.ContextChange{Balance: in.about, After: in.context.shown(now), Cause: "expired", Stamp: in.clock.Stamp(now)}
	e.Before = e.After
	e.Before.Fields = maps.Clone(e.After.Fields)
	for _, name := range names {
		h := in.context[name].now.item
		h.told = true
		e.Before.Set(name, h.learnt())
		for with, t := range in.context {
			if t.now.item != nil && t.now.item.with == h {
				e.Before.Set(with, t.now.item.learnt())
			}
		}
	}
	e.Why = strings.Join(names, ", ") + ": the time for which it was set has run out."
	in.put(e, e.Stamp)
}

// endShift ends everything that is held once the shift is over in which the person was set, or their session: what was put on in it is
// not for whoever comes next.
func (in *Intake) endShift(now time.Time) {
	h := in.context.nowItem(record.ItemPerson)
	if h == nil || h.told || h.uses == 0 || h.shift.IsZero() || now.Before(h.shift) {
		return
	}
	h.told = true
	e := &record.ContextChange{Balance: in.about, Before: in.context.shown(now), Cause: "expired", Why: "The shift or the session ended: who weighs next signs in anew.", Stamp: in.clock.Stamp(now)}
	e.Before.Person = h.learnt()
	for name := range in.context {
		if in.context.held(name, now) != nil {
			in.context.set(name, version{moment{now, now}, nil})
		}
	}
	in.dropBadge()
	in.unsure = unsure{}
	e.After = in.context.shown(now)
	in.put(e, e.Stamp)
}

// endContext ends everything that is held, for a reason.
func (in *Intake) endContext(at time.Time, why string) {
	in.dropBadge()
	in.unsure = unsure{}
	before := in.context.shown(at)
	if before.Empty() {
		return
	}
	for name := range in.context {
		if in.context.held(name, at) != nil {
			in.context.set(name, version{moment{at, at}, nil})
		}
	}
	e := &record.ContextChange{Balance: in.about, Before: before, After: in.context.shown(at), Cause: "expired", Why: why, Stamp: in.clock.Stamp(at)}
	in.put(e, e.Stamp)
}
