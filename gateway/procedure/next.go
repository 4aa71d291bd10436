package procedure

import (
	"cmp"
	"fmt"
	"math/big"
	"strings"

	"weighpost/gateway/formula"
	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/unit"
)

// Next says what is to be done. f is of the balance that the run is at; its zero value: of none, or nothing is known of it.
func (r *Run) Next(f Facts) Instruction {
	c := r
	if e, _ := r.itself(); e != nil { // what follows by itself is on its way to the journal
		c = r.Clone()
		c.follow(r.state.moved)
	}
	return c.next(f, true)
}

// next is Next of a run that has nothing to do by itself. whole: with everything that a page shows.
func (r *Run) next(f Facts, whole bool) Instruction {
	st := r.state
	n := Instruction{Of: len(st.plan.steps), Waiting: ForNothing}
	if r.closed != "" {
		return n
	}
	if n.Waiting = ForEnd; st.ended() {
		n.Number = n.Of
		n.Say = "All is done."
		return n
	}
	s := st.step()
	n.Step, n.Do, n.Number, n.Pass, n.Item = s.ID, s.Do, st.at.step+1, st.at.pass, st.item()
	r.waiting(&n, s, f)
	if !whole {
		return n
	}
	if s.block >= 0 {
		r.inBlock(&n, s)
	}
	n.On, n.Balance = s.on, st.bound[s.on]
	n.Limits = st.limitsOf(s, st.at.pass)
	if n.Say = cmp.Or(st.said(s), r.usual(&n, s)); n.Waiting == ForAllowed {
		n.Say = r.awaited(&n, s) // and not what has been done already
	}
	if i := r.lastOwn(); i >= 0 {
		n.MayBack, n.Undoes = r.counts[i].Step, r.undoes(i)
	}
	if p := st.pending; p != nil {
		n.Found, n.Repeats, n.MayBack = &FoundStep{Entry: p, Counts: true}, r.left(), ""
	}
	for _, name := range r.def.Results {
		n.Result = n.Result || name == s.ID
	}
	if s.Do == Weigh && s.target != nil && st.pending == nil {
		n.Target = r.screen(s, f)
	}
	n.Note = r.note()
	return n
}

// waiting says what the step waits for.
func (r *Run) waiting(n *Instruction, s *planned, f Facts) {
	st := r.state
	if st.pending != nil {
		n.Waiting = ForAllowed
		return
	}
	if _, stuck := r.itself(); stuck != nil {
		n.Waiting, n.Explains = ForAllowed, stuck.Error()
		return
	}
	switch s.Do {
	case Identify:
		n.Waiting = ForScan
	case Ask, Environment:
		n.Waiting, n.Kind, n.Unit, n.Choices = ForAnswer, "quantity", s.unit, s.Choices
		if s.Do == Ask {
			n.Kind = cmp.Or(s.Kind, "quantity")
		} else if s.Air {
			n.Air = s.What
		}
	case Instruct:
		n.Waiting = ForDone
	case Tare, Weigh, Empty:
		if n.Waiting = ForWeight; s.Do == Tare {
			n.Waiting = ForDone
		}
		bound := st.bound[s.on]
		if r.balance == "" || s.on != "" && bound != "" && bound != r.balance || f.Balance.ID == r.balance && r.fits(s, f) != "" {
			n.Waiting = ForBalance
			if f.Balance.ID != "" && r.balance != "" {
				n.Explains = r.fits(s, f)
			}
		}
	case Confirm:
		n.Waiting = ForSecond
	case Wait:
		n.Waiting, n.Due = ForTime, r.due()
	}
}

func (r *Run) inBlock(n *Instruction, s *planned) {
	st := r.state
	b := &st.plan.blocks[s.block]
	n.Block, n.Passes = b.Name, st.passes[s.block]
	if !b.items {
		return
	}
	n.Passes = len(st.items)
	for i, item := range st.items {
		if !st.done[at{s.block, i + 1}] && !st.left[i+1] {
			n.Left = append(n.Left, item)
		}
	}
}

// said is the sentence of a step, with its values.
func (st *state) said(s *planned) string {
	var all strings.Builder
	for _, p := range s.say {
		if p.value == nil {
			all.WriteString(p.text)
			continue
		}
		if v, texts, ok := st.lookup(p.value.refs[0], st.at.pass); !ok {
			all.WriteString("?")
		} else if v.Kind == formula.KindTruth {
			all.WriteString(yesOrNo(v.Truth))
		} else {
			all.WriteString(strings.Join(texts, ", "))
		}
	}
	return all.String()
}

// usual is what is to be done where the definition does not say it.
func (r *Run) usual(n *Instruction, s *planned) string {
	switch {
	case s.Do == Identify && s.What == "reagent":
		return "Scan the lot of the reagent."
	case s.Do == Identify && n.Item != nil && *idOf(n.Item, s.What) != "":
		return fmt.Sprintf("Scan the %s: %s.", s.What, *idOf(n.Item, s.What))
	case s.Do == Identify && len(n.Left) > 0:
		return fmt.Sprintf("Scan the next %s.", s.What)
	case s.Do == Identify:
		return fmt.Sprintf("Scan the %s.", s.What)
	case s.Do == Ask:
		return "Give " + cmp.Or(s.Label, s.ID) + "."
	case s.Do == Environment:
		return "Read the " + s.What + "."
	case s.Do == Tare:
		return "Tare the balance."
	case s.Do == Empty:
		return "Weigh the empty container."
	case s.Do == Weigh && s.removing:
		return "Weigh what is left of " + named(n.Item) + "."
	case s.Do == Weigh:
		return "Weigh " + named(n.Item) + "."
	case s.Do == Wait:
		return "Wait for " + s.For.String() + "."
	}
	return ""
}

// awaited says what a run waits for that does not go on by itself: what is wrong, and who can do what about it.
func (r *Run) awaited(n *Instruction, s *planned) string {
	p, name := r.state.pending, cmp.Or(s.Label, strings.ReplaceAll(s.ID, "_", " "))
	if p == nil {
		return n.Explains + ". Do the step before again, or have somebody with the right to let the run go on without it."
	}
	found := shownOf(cmp.Or(p.Value, &record.RunValue{Text: "what was found"}))
	what := name + ": " + found + " is outside its limits."
	for _, v := range p.Verdicts {
		if v.Pass || v.NotJudged || !record.RuleStops(v.Rule) {
			continue
		}
		switch v.Rule {
		case record.RuleLoop:
			what = name + ": " + v.Why + "."
		case record.RuleKnown:
			what = name + ": " + found + ", and the minimum weight of the balance is not known."
			continue // unless something else is wrong besides
		default:
			what = name + ": " + found + " is outside its limits."
		}
		break
	}
	switch {
	case r.left() > 0:
		return what + " Do it again, or have somebody with the right to let the run go on with it."
	case s.outside() == "investigation":
		return what + " Somebody with the right to lets the run go on, with the reference of an investigation, or has it done again."
	}
	return what + " Somebody with the right to lets the run go on with it, or has it done again."
}

// note is why the last attempt came to nothing, as long as nothing was done since.
func (r *Run) note() string {
	if len(r.all) == 0 {
		return ""
	}
	switch last := r.all[len(r.all)-1]; last.Became {
	case record.StepStopped, record.StepUnused:
		return last.Why
	}
	return ""
}

// screenDigits is to how many decimals a screen is told the ends of a target that have no end themselves: finer than any balance shows.
const screenDigits = 12

// screen gives the target as decimals in the unit of the balance.
func (r *Run) screen(s *planned, f Facts) *Target {
	st := r.state
	wanted, low, high, err := st.span(s, st.at.pass)
	if err != nil {
		return nil
	}
	u := r.unitAt(f)
	in := func(q formula.Quantity, round func(x, step *big.Rat) *big.Rat) string {
		x := new(big.Rat).Quo(zeroed(q.N), u.Size())
		if n, ends := x.FloatPrec(); ends && n <= screenDigits {
			return x.FloatString(n)
		}
		return round(x, new(big.Rat).SetFrac64(1, 1_000_000_000_000)).FloatString(screenDigits)
	}
	nearest := func(x, step *big.Rat) *big.Rat { return metrology.Round(x, step, metrology.HalfEven) }
	down := func(x, step *big.Rat) *big.Rat {
		x = metrology.RoundUp(new(big.Rat).Neg(x), step)
		return x.Neg(x)
	}
	d := ""
	if f.Readability != nil {
		d = in(formula.NewQuantity(f.Readability, mass.Unit), nearest)
	}
	t := &Target{Readability: d, Unit: u.Code(), Wanted: in(wanted, nearest), Low: in(low, metrology.RoundUp), High: in(high, down), Offset: "0", Removing: s.removing, Adding: !s.removing}
	if s.less != nil {
		off, _, _, ok := st.takenOff(s.less, st.at.pass)
		if !ok {
			return nil
		}
		t.Offset = in(off, nearest)
	}
	return t
}

// unitAt is the unit in which the balance shows its weight, as far as is known, or else grams.
func (r *Run) unitAt(f Facts) formula.Unit {
	code := ""
	if f.Shown != nil {
		code = f.Shown.Unit
	} else if _, after, both := strings.Cut(f.Balance.Readability, " "); both {
		code = after
	}
	if known, ok := unit.ByCode(code); ok && known.IsMass() {
		if u, err := formula.ParseUnit(code); err == nil {
			return u
		}
	}
	return mass.Unit
}
