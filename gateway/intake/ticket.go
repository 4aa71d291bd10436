package intake

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// ruleOrder is the rule of a verdict: whether it is known what was in force when the balance printed.
const ruleOrder = "context-order"

// openLimit is how long a weighing waits for what is still on its way from a scanner or a system.
const openLimit = 250 * time.Millisecond

// recheck is how long after the last look an open weighing is looked at again.
const recheck = time.Millisecond

// ticket is a weighing or a result on its way to the journal, with what it takes of the context.
type ticket struct {
	body  record.Body
	w     *record.Weighing
	m     moment // when the balance began to print
	takes bool   // it uses the items up; a tare does not
	items map[string]*taken
	doubt []string // items of which is not known what was in force
	spent bool     // it has been recorded, and its items are counted
	since time.Time
}

// taken is an item that a ticket carries.
type taken struct {
	item *heldItem
	left int // uses left after this ticket
}

// give has the ticket carry an item in place of what it had under the name; nil: none.
func (t *ticket) give(name string, item *heldItem) {
	delete(t.items, name)
	if !item.holds(t.m.hi) {
		return
	}
	one := &taken{item: item, left: item.uses}
	if t.items == nil {
		t.items = map[string]*taken{}
	}
	t.items[name] = one
	if t.spent {
		one.spend(t)
	}
}

// spend counts the item.
func (one *taken) spend(t *ticket) {
	if t.takes && one.item.uses > 0 {
		one.item.uses--
	}
	one.left = one.item.uses
	if t.takes {
		one.item.weighed++
		one.item.weighedBy = ""
		if p := t.items[record.ItemPerson]; p != nil {
			one.item.weighedBy = p.item.id
		}
	}
	if t.m.hi.After(one.item.used) && !one.item.told { // an end that was told stays one
		one.item.used = t.m.hi
	}
}

// doubts says that it is not known what was in force under the names.
func (t *ticket) doubts(names []string) {
	for _, name := range names {
		delete(t.items, name)
		if !slices.Contains(t.doubt, name) {
			t.doubt = append(t.doubt, name)
		}
	}
}

// newTicket gives the weighing what is in force at its moment. What was set at the same moment, so that nobody can know
// which came first, is given to nobody.
func (in *Intake) newTicket(body record.Body, w *record.Weighing, m moment) *ticket {
	t := &ticket{body: body, w: w, m: m, takes: !isTare(in.reading.Kind)}
	for name := range in.context {
		item, doubt := in.context.pick(name, m)
		if doubt {
			t.doubts([]string{name})
		}
		t.give(name, item)
	}
	if len(t.doubt) > 0 {
		slices.Sort(t.doubt)
		in.withdraw(t.doubt, m)
	}
	return t
}

// record leaves a weighing for the journal and uses up what it carries. The two are one: what the entry carries is the
// only evidence, and an entry that the journal refuses is offered again as it is. Where something that may have come before
// the print is still on its way, the entry waits for it, and all behind it with it.
func (in *Intake) record(t *ticket, stamp record.Stamp) {
	t.spent = true
	in.late.recorded = in.arrived
	for name, one := range t.items {
		if one.item.uses == 0 {
			delete(t.items, name) // a weighing before it took the last
			continue
		}
		one.spend(t)
	}
	if len(in.open) == 0 && in.nothingComing() {
		in.seal(t)
		if !in.put(t.body, stamp) {
			in.dropAnswer(t.body)
		}
		return
	}
	in.out.bar(t.body)
	if in.put(t.body, stamp) {
		t.since = in.now()
		in.look = t.since.Add(recheck)
		in.open = append(in.open, t)
		return
	}
	in.seal(t) // it is counted as missing, and what it took is gone with it
	in.dropAnswer(t.body)
	if len(in.open) == 0 {
		in.out.unbar()
	}
}

// nothingComing says whether every scan and every request that has reached this computer has been dealt with.
func (in *Intake) nothingComing() bool {
	return in.arriving.Load() == 0 && (in.scan == nil || in.scan.quiet())
}

// settle lets open weighings go to the journal: all of them once nothing is on its way, and, with doubts, one that has
// waited too long.
func (in *Intake) settle(now time.Time) {
	if len(in.open) == 0 {
		return
	}
	in.look = now.Add(recheck)
	quiet := in.nothingComing()
	if !quiet && now.Sub(in.open[0].since) < openLimit {
		return
	}
	if !quiet {
		in.raiseRefused(fmt.Sprintf("A weighing of balance %s went without person and sample: something was still coming from a scanner or a system %s after it was printed, and could not be ordered.",
			in.about.ID, openLimit))
	}
	for _, t := range in.open {
		if !quiet {
			t.doubts(in.context.names())
		}
		in.seal(t)
	}
	in.open = nil
	in.out.unbar()
}

// unsettled lists what can still be changed by something that came before it, in order.
func (in *Intake) unsettled() []*ticket {
	if held := in.capture.period.latest; held != nil {
		return append(slices.Clone(in.open), held)
	}
	return in.open
}

// seal writes down what a weighing carries. Nothing changes it afterwards.
func (in *Intake) seal(t *ticket) {
	if t.m.hi.After(in.sealed.hi) {
		in.sealed = t.m
	}
	c := record.Context{Fields: map[string]string{}}
	for name, one := range t.items {
		if s := t.items[record.ItemSample]; one.item.with != nil && (s == nil || s.item != one.item.with) {
			continue // the sample that brought it is not on this weighing
		}
		learnt := one.item.learnt()
		t.w.Verdicts = append(t.w.Verdicts, one.item.verdicts...)
		if one.left >= 0 {
			learnt.UsesLeft = &one.left
		}
		c.Set(name, learnt)
	}
	if len(t.doubt) > 0 {
		slices.Sort(t.doubt)
		t.w.Verdicts = append(t.w.Verdicts, record.Verdict{Rule: ruleOrder, Why: fmt.Sprintf(
			"%s was set while the balance was printing, and which came first is not known", strings.Join(t.doubt, ", "))})
	}
	in.agreeAll(t.w, &c)
	if t.takes && c.Sample != nil && in.samples != nil {
		in.samples.Weighed(in.cfg.ID, c.Sample.ID, t.w.Stamp.UTC.Time())
	}
	in.need(t.w, &c)
	t.w.Context = c
	in.awaitAnswer(t)
}

// need adds a verdict for each item that the configuration says a weighing needs.
func (in *Intake) need(w *record.Weighing, c *record.Context) {
	for _, name := range fixedItems {
		if !in.cfg.Context.hold(name).Needed {
			continue
		}
		v := record.Verdict{Rule: name + "-known", Pass: c.Get(name) != nil}
		if !v.Pass {
			v.Why = "no " + name + " is known"
		}
		w.Verdicts = append(w.Verdicts, v)
	}
}
