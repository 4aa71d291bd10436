package guided

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// weighs has samples weighed, with the print key.
func (b *guided) weighs(first, n int) {
	b.s.T.Helper()
	before := len(all[record.Weighing](b.lab, record.KindWeighing))
	for i := range n {
		b.scale.prints(first + i)
	}
	b.waitFor("the weighings", func() bool { return len(all[record.Weighing](b.lab, record.KindWeighing)) == before+n })
}

// isJudgedAndPutBack: what was weighed since the last good check is judged, one and then all others; nothing is closed before; and then the balance
// is put back by Ada, with a reason.
func (b *guided) isJudgedAndPutBack() {
	b.s.T.Helper()
	failure := "balances/" + b.id + "/failures/" + b.number()
	b.s.Visit(b.page() + "?ended=" + b.number())
	b.s.Sends(`a[href="/` + failure + `"]`)
	b.s.Shows("main", "5 weighings are not judged", "1.000 g", "1.004 g")
	b.s.shoot("in-doubt")
	b.s.Lacks(`form[data-send$="/close"]`)
	b.ask("ada", 409, "POST", failure+"/close", map[string]any{"reason": "all is well"}, nil)
	b.ask("ida", 403, "POST", failure+"/judge", map[string]any{"effect": "no effect", "reason": "all is well"}, nil)

	b.s.Click(`#judge button[value="chosen"]`) // nothing is chosen, and no effect said: the form is not sent
	b.s.Click(`#judge input[value="affected"]`)
	b.s.Fill("#why", "too near to the least that may be weighed")
	b.s.Click(`#judge button[value="chosen"]`)
	b.s.Shows("#judge .told", "Nothing is chosen")
	b.s.Click(`#judge tbody tr:first-child input.one`)
	b.s.Shows("#chosen", "1 weighing is chosen")
	b.s.Sends(`#judge button[value="chosen"]`)
	b.s.Shows("main", "4 weighings are not judged")
	b.ask("ada", 409, "POST", failure+"/close", map[string]any{"reason": "all is well"}, nil)
	b.s.Click(`#judge input[value="no effect"]`)
	b.s.Fill("#why", "far from every limit")
	b.s.Sends(`#judge button[value="all"]`)
	b.s.Shows("main", "All are judged")
	b.s.Fill("#close-why", "one lot is weighed again")
	b.s.Sends(`form[data-send$="/close"] button`)
	b.s.Shows("main", "Closed.", "5 weighings were judged, 1 of them affected")
	b.s.shoot("closed")

	list := all[record.Weighing](b.lab, record.KindWeighing)
	judged := all[record.AffectedJudged](b.lab, record.KindAffectedJudged)
	if len(judged) != 2 || len(judged[0].Weighings) != 1 || judged[0].Weighings[0].ID != list[0].ID || judged[0].Effect != record.EffectAffected || judged[0].By.ID != "ada" ||
		judged[0].Reason != "too near to the least that may be weighed" || len(judged[1].Weighings) != 4 || judged[1].Effect != record.EffectNone || list[0].Value.Digits != "1.000" {
		b.s.T.Errorf("the journal has %+v", judged)
	}
	closed := all[record.FailureClosed](b.lab, record.KindFailureClosed)
	if len(closed) != 1 || closed[0].Judged != 5 || closed[0].Affected != 1 || closed[0].Reason != "one lot is weighed again" {
		b.s.T.Errorf("the journal has %+v", closed)
	}
	b.s.Visit("balances/" + b.id + "/fitness")
	b.s.Shows(".outcome", "OUT OF SERVICE") // judging puts nothing back
	b.s.shoot("fitness-out-of-service")
	b.s.Fill("#reason", "held against another balance, and they agree")
	b.s.Sends(`form[data-send$="/in-service"] button`)
	b.s.Shows(".outcome", "in service", "held against another balance, and they agree")
	changes := all[record.FitnessChanged](b.lab, record.KindFitnessChanged)
	if c := changes[len(changes)-1]; c.State != record.InService || c.Was != record.OutOfService || c.Cause != record.ByPerson || c.By.ID != "ada" || c.Reason != "held against another balance, and they agree" {
		b.s.T.Errorf("the journal has %+v", c)
	}
}

// isAdjusted: a check as found fails, the balance is adjusted, and a check as left passes. What was weighed before stays in doubt by what was found,
// and the charts begin a new phase.
func (b *guided) isAdjusted() {
	b.s.T.Helper()
	b.weighs(2000, 2)
	b.beginsBecause("quick", record.CheckAsFound, failed.zero)
	b.measures(1, failed)
	found := b.number()
	b.beginsBecause("quick", record.CheckAsLeft, left.zero)
	b.measures(1, left)
	b.s.Shows(".fit", "in service")

	b.s.Visit("balances/" + b.id + "/fitness")
	b.s.Click("details.take > summary")
	b.s.SendsNot(`#upkeep-form button[type="submit"]`, "What the balance showed before the adjustment would be lost")
	b.s.Choose("#as-found", b.id+"/"+b.number())
	b.s.Choose("#as-left", b.id+"/"+found)
	b.s.SendsNot(`#upkeep-form button[type="submit"]`, "as left")
	b.s.Choose("#as-found", b.id+"/"+found)
	b.s.Choose("#as-left", b.id+"/"+b.number())
	b.s.Lacks("#unfound")
	b.s.Fill("#note-text", "with its own weight")
	b.s.shoot("upkeep")
	b.s.Sends(`#upkeep-form button[type="submit"]`)
	b.s.Shows("#upkeep ~ .scroll", "adjustment", found, b.number(), "with its own weight", "Ada Quill")
	upkeep := all[record.Upkeep](b.lab, record.KindUpkeep)
	if u := upkeep[0]; len(upkeep) != 1 || u.Act != record.Adjusted || u.AsFound != b.id+"/"+found || u.AsLeft != b.id+"/"+b.number() || u.By.ID != "ada" || u.Unfound != "" {
		b.s.T.Errorf("the journal has %+v", upkeep)
	}
	// The look back goes by the check as found, though the one as left has passed: since the last good check before it.
	b.s.Shows(".failed .open", "quick failed", "Not closed yet")
	b.s.Sends(`.failed .open a[href$="/failures/` + found + `"]`)
	b.s.Shows("main", "7 weighings are not judged", "1.000 g", "2.001 g")
	if d, err := b.InDoubt(b.s.T.Context(), b.id, b.id+"/"+found, 0, 100); err != nil || len(d.Weighings) != 7 {
		b.s.T.Errorf("in doubt are %+v, %v", d, err)
	}
	b.s.Visit("balances/" + b.id + "/fitness")
	b.s.Until(`document.querySelector(".charts").textContent`, "first after: adjustment")
	b.s.shoot("new-phase")
}

// beginsBecause is begins with why the check is begun.
func (b *guided) beginsBecause(check, why string, zero int) {
	b.s.T.Helper()
	b.scale.puts(zero)
	b.s.Visit(b.page())
	b.s.Click(fmt.Sprintf(`input[name="check"][value=%q]`, check))
	b.s.Click(fmt.Sprintf(`input[name="why"][value=%q]`, why))
	b.s.Until(`document.querySelector('input[value="f1-20"]').checked`, "true") // the last check used it
	b.s.Sends("#begin button.large")
	b.checks++
	b.s.Until(`document.getElementById("check").dataset.runs`, b.number())
	begun := all[record.CheckBegun](b.lab, record.KindCheckBegun)
	if last := begun[len(begun)-1]; last.Why != why || !slices.ContainsFunc(last.Weights, func(w record.WeightUsed) bool {
		return w.ID == "f1-20" && strings.HasPrefix(string(w.Conventional), "20.00002")
	}) {
		b.s.T.Errorf("the journal has %+v", last)
	}
}
