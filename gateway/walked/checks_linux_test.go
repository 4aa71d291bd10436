package walked

import (
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// checks registers a reference weight, checks the balance with it, finds it too far off, judges what was weighed before, closes the failed check,
// notes an adjustment and puts the balance back: each at a page, each in the journal in the name of whoever did it.
func (w *walk) checks() {
	w.registersAWeight()
	w.open("/bench/b-7/check")
	w.shows("#begin", "daily", "20 g, F1, set 3")
	w.until(`document.getElementById("weight-scan")?.disabled`, "false")
	w.focus("#weight-scan")
	w.enters("f1-3-20")
	w.until(`document.querySelector('input[name="weights[]"]')?.checked`, "true")
	w.click("#begin button[type=submit]")
	w.shows("#say", "Does the balance stand level?")
	w.lab.has(1, record.KindCheckBegun, `"ada"`, "f1-3-20", "K-118")
	time.Sleep(700 * time.Millisecond) // in which nothing answers a question that has just come: it was meant for the one before
	w.click("#yes")
	w.until(`document.getElementById("asks")?.hidden`, "true")
	w.balance.sends(printed(0))
	w.shows("#say", "Place 20 g, F1, set 3")
	w.balance.sends(printed(200200))
	w.shows(".outcome", "FAILED")
	w.shows("main", "OUT OF SERVICE", "0.02000 g", "never replace it", "cannot be kept from showing a weight", "held back from every destination")
	w.lab.has(1, record.KindCheckEnded, `"failed"`, "0.02000 g", `"ada"`)
	w.judges()
	w.putsBack()
}

func (w *walk) registersAWeight() {
	host, roles := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "a test"}), []string{rights.IT, rights.BalanceKeeper, rights.Reviewer}
	if _, err := w.lab.People().ChangePerson(w.t.Context(), host, "ada", rights.PersonChange{Roles: &roles, Reason: "looks after balances too"}); err != nil {
		w.t.Fatal(err)
	}
	w.open("/weights")
	w.shows("main", "No reference weight is registered")
	for _, field := range [][2]string{{"#id", "f1-3-20"}, {"#nominal", "20 g"}, {"#set", "3"}, {"#number", "K-118"}, {"#date", "2020-01-15"}, {"#due", "2099-01-15"}} {
		w.fill(field[0], field[1])
	}
	w.until(`(document.getElementById("class").value = "F1", document.getElementById("class").value)`, "F1")
	w.click("#register button[type=submit]")
	w.shows("table", "f1-3-20", "K-118", "can be used")
	w.lab.has(1, record.KindWeightChanged, `"f1-3-20"`, `"ada"`)
}

// judges goes over what the failed check throws doubt on: one by one, the rest at once; before that it cannot be closed.
func (w *walk) judges() {
	w.open("/balances/b-7/failures/c000001")
	w.shows("main", "50.1234 g", "are not judged")
	w.lacks("#close-why")
	w.click("input.one")
	w.shows("#chosen", "1 weighing is chosen")
	w.click(`input[value="affected"]`)
	w.fill("#why", "too near to what a lot may lack")
	w.click(`#judge button[value="chosen"]`)
	w.lab.has(1, record.KindAffectedJudged, `"affected"`, "too near to what a lot may lack", `"ada"`)
	w.shows("tbody", "affected")
	w.click(`input[value="no effect"]`)
	w.fill("#why", "20 mg are nothing to seed lots")
	w.click(`#judge button[value="all"]`)
	w.lab.has(2, record.KindAffectedJudged, `"no effect"`, `"ada"`)
	w.shows("main", "All are judged")
	w.fill("#close-why", "one lot is weighed again")
	w.click(`form[data-send$="/close"] button`)
	w.lab.has(1, record.KindFailureClosed, "one lot is weighed again", `"affected":1`, `"ada"`)
	w.shows("main", "Closed.")
}

// putsBack puts the balance back with a reason.
func (w *walk) putsBack() {
	w.open("/balances/b-7/fitness")
	w.shows("main", "OUT OF SERVICE", "Closed.")
	w.fill(`form[data-send$="/in-service"] input[name="reason"]`, "it stood in a draught")
	w.click(`form[data-send$="/in-service"] button[type=submit]`)
	w.shows(".outcome", "not known")
	back := 0
	for _, e := range w.lab.entries(record.KindFitnessChanged) {
		if text := string(e.JSON); strings.Contains(text, `"it stood in a draught"`) && strings.Contains(text, `"was":"out of service"`) && strings.Contains(text, `"ada"`) {
			back++
		}
	}
	if back != 1 {
		w.t.Errorf("%d entries say that the balance was put back, and why", back)
	}
}
