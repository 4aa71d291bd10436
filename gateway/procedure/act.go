package procedure

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/formula"
	"weighpost/gateway/record"
	"weighpost/parsers/gs1"
)

// Act decides what becomes of an act: the entries that are to be recorded, those of what follows by itself included. The run stays as it is
// until they are applied. The error is a *record.NotDone with a sentence where the act cannot be done now; nothing is to be recorded then.
// Abandon gives no entries: where it is allowed, whoever asks ends the run.
func (r *Run) Act(act Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	do, err := r.meant(act)
	if err != nil {
		return nil, err
	}
	if r.closed != "" {
		return nil, notDone("the run has ended: nothing is done to it any more")
	}
	if err := r.mayAct(act, by, f); err != nil {
		return nil, err
	}
	if len(r.all) >= MaxEntries && act.Abandon == "" {
		return nil, notDone("the run has %d entries, which is the most: it can only be abandoned", len(r.all))
	}
	c := r.Clone()
	steps := c.follow(now) // what was due anyway
	more, err := do(c, act, by, now, f)
	if err != nil {
		return nil, err
	}
	for _, e := range more {
		if e.Balance == nil && f.Balance.ID != "" && f.Balance.ID == r.balance {
			b := f.Balance
			e.Balance = &b
		}
		c.pretend(e, now)
	}
	return append(append(steps, more...), c.follow(now)...), nil
}

type doing func(r *Run, act Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error)

// meant finds which act it is.
func (r *Run) meant(a Act) (do doing, err error) {
	n := 0
	for _, one := range []struct {
		there bool
		do    doing
	}{{a.Scan != "", (*Run).scan}, {a.Answer != "", (*Run).answer}, {a.Done, (*Run).doneWith}, {a.Yes, (*Run).confirm}, {a.Late != "", (*Run).late},
		{a.Back != "", (*Run).back}, {a.Repeat != "", (*Run).repeat}, {a.Allow != "", (*Run).allow}, {a.Leave != "", (*Run).leave}, {a.Aside, (*Run).putAside},
		{a.At != "", (*Run).goAt}, {a.Over, (*Run).handOver}, {a.Abandon != "", (*Run).abandon}} {
		if one.there {
			do = one.do
			n++
		}
	}
	if n != 1 {
		return nil, notDone("%d acts are asked for at once, or none: one is done at a time", n)
	}
	for _, reason := range []string{a.Back, a.Repeat, a.Allow, a.Leave, a.Abandon} {
		if err := plainText(reason, 500); reason != "" && err != nil {
			return nil, notDone("the reason cannot be kept: %v", err)
		}
	}
	if a.Ref != "" {
		if err := plainText(a.Ref, 128); err != nil {
			return nil, notDone("the reference cannot be kept: %v", err)
		}
	}
	return do, nil
}

// mayAct says who may: whoever performs the run, and for what needs another person, that other person.
func (r *Run) mayAct(a Act, by record.Actor, f Facts) error {
	switch {
	case by.ID == r.by.ID, a.Yes, a.Over:
		return nil
	case (a.Allow != "" || a.Repeat != "" || a.Abandon != "") && f.MayAllow:
		return nil
	}
	return notDone("%s performs this run: take it over first", clip(r.by.Shown()))
}

// waits refuses an act that the run does not wait for.
func (r *Run) waits(what string) error {
	n := r.next(Facts{}, false)
	switch {
	case n.Waiting == what:
		return nil
	case n.Waiting == ForAllowed && r.state.pending != nil:
		return notDone("the value of the step %s is outside its limits: that comes first", r.state.pending.Step)
	case n.Explains != "":
		return notDone("%s: step back, or abandon the run", n.Explains)
	}
	return notDone("the run does not wait for that, but for: %s", says[n.Waiting])
}

// says gives what a run waits for as a sentence has it.
var says = map[string]string{
	ForScan: "a scan", ForAnswer: "an answer", ForDone: "somebody to say that the step is done", ForWeight: "a weight", ForBalance: "a balance to go on at",
	ForSecond: "a second person", ForTime: "the end of the wait", ForAllowed: "somebody who may let it go on", ForEnd: "its end", ForNothing: "nothing, since it has ended",
}

func (r *Run) stop(format string, args ...any) ([]*record.RunStep, error) {
	e := r.entry(record.StepStopped)
	e.Why = fmt.Sprintf(format, args...)
	return []*record.RunStep{e}, nil
}

func (r *Run) answer(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if err := r.waits(ForAnswer); err != nil {
		return nil, err
	}
	s := r.state.step()
	e := r.entry(record.StepTaken)
	e.Value = &record.RunValue{Name: s.ID, How: "typed"}
	if s.typ.Kind == formula.KindQuantity {
		q, digits, err := typed(a, s)
		if err != nil {
			return nil, notDone("%v", err)
		}
		e.Value.Digits, e.Value.Unit = digits, q.Unit.Code()
		if s.Do == Environment {
			e.Value.How = "read"
		}
		e.Verdicts = r.state.judge(s, formula.Of(q), r.state.at.pass)
		return []*record.RunStep{e}, nil
	}
	p := Parameter{Kind: s.Kind, Choices: s.Choices}
	text := strings.TrimSpace(a.Answer)
	v, err := p.value(text, s.typ)
	if err != nil {
		return nil, notDone("the answer cannot be taken: %v", err)
	}
	if s.Kind == "choice" {
		e.Value.How = "chosen"
	}
	e.Value.Text = text
	e.Verdicts = r.state.judge(s, v, r.state.at.pass)
	return []*record.RunStep{e}, nil
}

// typed reads a number that somebody typed in, with the step's unit where none is given.
func typed(a Act, s *planned) (q formula.Quantity, digits string, err error) {
	text := strings.TrimSpace(a.Answer)
	if strings.Contains(text, ",") {
		return q, "", fmt.Errorf("%s has a comma: decimals are typed with a point, and thousands without a mark", clip(text))
	}
	digits, code, both := strings.Cut(text, " ")
	switch {
	case both && a.Unit != "":
		return q, "", fmt.Errorf("%s has a unit, and another is given beside it", clip(text))
	case !both:
		code = a.Unit
	}
	if code == "" {
		code = s.unit
	}
	if len(digits) > 60 {
		return q, "", fmt.Errorf("%s is too long for a number", clip(digits))
	}
	q, err = formula.ParseQuantity(withUnit(digits, code))
	if err != nil {
		return q, "", fmt.Errorf("the answer cannot be read: %w", err)
	}
	if q.Unit.Dimension() != s.typ.Unit.Dimension() {
		return q, "", fmt.Errorf("%s is %s, and %s (%s) is wanted", clip(text), q.Unit.Dimension(), s.typ.Unit.Dimension(), s.unit)
	}
	return q, digits, nil
}

func (r *Run) doneWith(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	n := r.next(f, false)
	st := r.state
	switch {
	case n.Waiting == ForTime:
		if due := r.due(); due != nil && now.Time().Before(due.Time()) {
			return nil, notDone("the wait ends at %s", due)
		}
		e := r.entry(record.StepTaken)
		e.Due = r.due()
		return []*record.RunStep{e}, nil
	case n.Waiting == ForScan && st.identifies() && st.grows && st.step().block == st.plan.first:
		if len(st.items) == 0 {
			return nil, notDone("nothing has been identified yet: the run has to be about something")
		}
		e := r.entry(record.StepSkipped)
		e.Why = "there are no more"
		return []*record.RunStep{e}, nil
	}
	if err := r.waits(ForDone); err != nil {
		return nil, err
	}
	e := r.entry(record.StepTaken)
	if st.step().Do == Tare {
		if why := r.fits(st.step(), f); why != "" {
			return r.stop("%s", why)
		}
		b := f.Balance
		e.Balance = &b
	}
	return []*record.RunStep{e}, nil
}

func (r *Run) confirm(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if err := r.waits(ForSecond); err != nil {
		return nil, err
	}
	switch last := r.state.step().Differs == "last"; {
	case !f.MaySecond:
		return nil, notDone("%s may not confirm: somebody with the right to be a second person does", clip(by.Shown()))
	case last && by.ID == r.last.ID:
		return nil, notDone("%s did the step before: another person confirms", clip(by.Shown()))
	case !last && (slices.Contains(r.people, by.ID) || by.ID == r.by.ID):
		return nil, notDone("%s took part in this run: another person confirms", clip(by.Shown()))
	}
	e := r.entry(record.StepTaken)
	e.Second = &by
	return []*record.RunStep{e}, nil
}

func (r *Run) putAside(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if r.aside {
		return nil, notDone("the run is put aside already")
	}
	return []*record.RunStep{r.about(record.RunPutAside, by)}, nil
}

func (r *Run) goAt(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	switch {
	case f.Balance.ID != a.At:
		return nil, notDone("there is no balance %s", clip(a.At))
	case r.balance == a.At:
		return nil, notDone("the run is at the balance %s already", clip(a.At))
	case f.Unfit != "":
		return nil, notDone("%s", f.Unfit)
	}
	e := r.about(record.RunMoved, by)
	b := f.Balance
	e.Balance = &b
	return []*record.RunStep{e}, nil
}

func (r *Run) handOver(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if by.ID == r.by.ID {
		return nil, notDone("%s performs the run already", clip(by.Shown()))
	}
	return []*record.RunStep{r.about(record.RunHandedOver, by)}, nil
}

// about is an entry about the run as a whole.
func (r *Run) about(became string, by record.Actor) *record.RunStep {
	return &record.RunStep{Run: r.begun.Run, Became: became, Request: r.begun.Request, By: by}
}

func (r *Run) abandon(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if r.def.Abandon && len(r.judged) > 0 && !f.MayAllow {
		return nil, notDone("something has been weighed, and the procedure lets only a reviewer abandon the run")
	}
	return nil, nil
}

// allow lets the run go on with a value outside its limits, or without one that cannot be computed.
func (r *Run) allow(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	st := r.state
	_, stuck := r.itself()
	switch {
	case st.pending == nil && (stuck == nil || st.step().Do != Compute || st.step().when != nil && r.leavesOut()):
		return nil, notDone("no value is outside its limits: there is nothing to allow")
	case !f.MayAllow:
		return nil, notDone("%s may not let a run go on with a value outside its limits", clip(by.Shown()))
	case st.pending == nil:
		e := r.entry(record.StepSkipped)
		e.Why, e.Reason, e.Ref, e.By = stuck.Error(), a.Allow, a.Ref, by
		return []*record.RunStep{e}, nil
	case st.plan.steps[st.plan.byID[st.pending.Step]].outside() == "investigation" && a.Ref == "":
		return nil, notDone("the procedure wants the reference of an investigation before the run goes on")
	}
	e := r.entry(record.StepAllowed)
	e.Attempt, e.Item = st.pending.Attempt, st.pending.Item
	e.Reason, e.Ref, e.By = a.Allow, a.Ref, by
	return []*record.RunStep{e}, nil
}

// leave leaves out the item that is being worked on, or all that are missing.
func (r *Run) leave(a Act, by record.Actor, now record.UTC, f Facts) (steps []*record.RunStep, err error) {
	st := r.state
	if st.pending != nil && !f.MayAllow { // a value outside its limits does not go away with its item
		return nil, notDone("the value of the step %s is outside its limits: that comes first", st.pending.Step)
	}
	if st.ended() || st.step().block < 0 || !st.plan.blocks[st.step().block].items {
		return nil, notDone("there is no item here that could be left out: the step is of the whole run")
	}
	n := st.step().block
	first := st.plan.blocks[n].first
	for i := range st.items {
		if st.done[at{n, i + 1}] || st.left[i+1] || !st.identifies() && st.at.pass != i+1 {
			continue
		}
		e := r.about(record.StepSkipped, by)
		item := st.items[i]
		e.Step, e.Does, e.Pass, e.Item, e.Reason = st.plan.steps[first].ID, Identify, i+1, &item, a.Leave
		e.Attempt = r.tries[at{first, i + 1}] + 1
		steps = append(steps, e)
	}
	if len(steps) == 0 {
		return nil, notDone("no item is missing")
	}
	return steps, nil
}

// scan identifies a sample, a container or a reagent.
func (r *Run) scan(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if err := r.waits(ForScan); err != nil {
		return nil, err
	}
	id := strings.TrimSpace(a.Scan)
	if r.state.step().What == "reagent" {
		return r.reagent(id, now)
	}
	if err := plainText(id, 128); err != nil {
		return nil, notDone("what was scanned cannot be taken: %v", err)
	}
	if r.state.identifies() {
		return r.which(id, now, f)
	}
	return r.sameItem(id, now, f)
}

func (r *Run) reagent(id string, now record.UTC) ([]*record.RunStep, error) {
	lot := id
	symbology, data := gs1.Symbology(id)
	if gs1.Carries(symbology) || strings.HasPrefix(id, "(") {
		read := func() ([]gs1.Element, error) { return gs1.ParseBracketed(id) }
		if gs1.Carries(symbology) {
			read = func() ([]gs1.Element, error) { return gs1.Parse(data, false) }
		}
		elements, err := read()
		if err != nil {
			return r.stop("the code of the reagent cannot be read: %v", err)
		}
		lot = gs1.Bracketed(elements)
		for _, e := range elements {
			if day, is := e.Date(now.Time()); is && e.AI == "17" && !now.Time().Before(day.AddDate(0, 0, 1)) {
				return r.stop("the reagent expired on %s: take another lot", day.Format(time.DateOnly))
			}
		}
	}
	if err := plainText(lot, 200); err != nil {
		return nil, notDone("what was scanned cannot be taken: %v", err)
	}
	e := r.entry(record.StepTaken)
	e.Value = &record.RunValue{Name: e.Step, Text: lot, How: "scanned"}
	return []*record.RunStep{e}, nil
}

// idOf is the id of an item that a step asks for.
func idOf(i *record.RunItem, what string) *string {
	if what == "container" {
		return &i.Container
	}
	return &i.Sample
}

// which finds the item of a pass of a block over items.
func (r *Run) which(id string, now record.UTC, f Facts) ([]*record.RunStep, error) {
	st := r.state
	what, n := st.step().What, st.step().block
	i := slices.IndexFunc(st.items, func(item record.RunItem) bool { return *idOf(&item, what) == id })
	grows := st.grows && n == st.plan.first && len(st.items) < st.most
	if i < 0 && !grows {
		i = st.without(what, n)
	}
	switch {
	case i >= 0 && st.left[i+1]:
		return r.stop("%s %s was left out of this run", what, clip(id))
	case i >= 0 && st.done[at{n, i + 1}]:
		return r.stop("%s %s is done already: the next one is wanted", what, clip(id))
	case i < 0 && !grows:
		return r.stop("%s %s is none of this run", what, clip(id))
	}
	if what == "container" {
		if why := r.unfitContainer(id, now, f); why != "" {
			return r.stop("%s", why)
		}
	}
	item := record.RunItem{}
	if i < 0 {
		i = len(st.items)
		*idOf(&item, what) = id
	} else {
		item = st.items[i]
		*idOf(&item, what) = id
	}
	e := r.entry(record.StepTaken)
	e.Pass, e.Item = i+1, &item
	e.Attempt = r.tries[at{st.at.step, e.Pass}] + 1
	e.Value = &record.RunValue{Name: e.Step, Text: id, How: "scanned"}
	return []*record.RunStep{e}, nil
}

// without finds the first item that has no sample, or no container, yet: a dish that is free is for the next sample, and the run says so from
// then on. −1: there is none.
func (st *state) without(what string, block int) int {
	for i := range st.items {
		if *idOf(&st.items[i], what) == "" && !st.left[i+1] && !st.done[at{block, i + 1}] {
			return i
		}
	}
	return -1
}

// sameItem holds what was scanned against the item that the step is of.
func (r *Run) sameItem(id string, now record.UTC, f Facts) ([]*record.RunStep, error) {
	st := r.state
	what := st.step().What
	item := record.RunItem{}
	if known := st.item(); known != nil {
		item = *known
	}
	own := idOf(&item, what)
	switch taken := slices.ContainsFunc(st.items, func(o record.RunItem) bool { return *idOf(&o, what) == id }); {
	case *own != "" && *own != id:
		return r.stop("%s %s is not the right one: %s is wanted", what, clip(id), clip(*own))
	case *own == "" && taken:
		return r.stop("%s %s belongs to another item of this run", what, clip(id))
	}
	if what == "container" {
		if why := r.unfitContainer(id, now, f); why != "" {
			return r.stop("%s", why)
		}
	}
	*own = id
	e := r.entry(record.StepTaken)
	e.Item = &item
	e.Value = &record.RunValue{Name: e.Step, Text: id, How: "scanned"}
	return []*record.RunStep{e}, nil
}

// unfitContainer says why a container may not be used, or "".
func (r *Run) unfitContainer(id string, now record.UTC, f Facts) string {
	if f.Container == nil {
		return fmt.Sprintf("the register of containers cannot be asked about %s now", clip(id))
	}
	k, known := f.Container(id)
	switch {
	case !known:
		return fmt.Sprintf("container %s is not in the register: register it first", clip(id))
	case k.Withdrawn:
		return fmt.Sprintf("container %s was withdrawn: take another", clip(id))
	case k.Expires != nil && !now.Time().Before(k.Expires.Time()):
		return fmt.Sprintf("container %s expired at %s: take another", clip(id), k.Expires)
	case k.InRun != "" && k.InRun != r.begun.Run.ID:
		return fmt.Sprintf("container %s is in the run %s", clip(id), clip(k.InRun))
	}
	return ""
}
