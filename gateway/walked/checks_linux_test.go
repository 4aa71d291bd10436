package walked

import (
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// checks registers a reference weight, checks the balance with it, finds it too far off, judges what was weighed before, closes the failed check,
// notes an adjustment and puts the balance back: each at a page, each in the journal in the name of whoever did it.
func (w *walk) checks() {
	w.registersAWeight()
	w.Visit("/bench/b-7/check")
	w.Shows("#begin", "daily", "20 g, F1, set 3")
	w.Until(`document.getElementById("weight-scan")?.disabled`, "false")
	w.Focus("#weight-scan")
	w.Enters("f1-3-20")
	w.Until(`document.querySelector('input[name="weights[]"]')?.checked`, "true")
	w.Click("#begin button[type=submit]")
	w.Shows("#say", "Does the balance stand level?")
	w.lab.has(1, record.KindCheckBegun, `"ada"`, "f1-3-20", "K-118")
	time.Sleep(700 * time.Millisecond) // in which nothing answers a question that has just come: it was meant for the one before
	w.presses("#yes")
	w.balance.sends(printed(0))
	w.Shows("#say", "Place 20 g, F1, set 3")
	w.balance.sends(printed(200200))
	w.Shows(".outcome", "FAILED")
	w.Shows("main", "OUT OF SERVICE", "0.02000 g", "never replace it", "cannot be kept from showing a weight", "held back from every destination")
	w.lab.has(1, record.KindCheckEnded, `"failed"`, "0.02000 g", `"ada"`)
	w.judges()
	w.putsBack()
}

// presses presses an answer, and again where nothing has come of it: on a machine that does much else a page may have shown the question later
// than it seems, and it takes no answer in the moment after.
func (w *walk) presses(answer string) {
	w.T.Helper()
	w.Click(answer)
	for limit := time.Now().Add(patience); w.Says(`document.getElementById("asks")?.hidden`) != "true"; time.Sleep(300 * time.Millisecond) {
		if time.Now().After(limit) {
			w.T.Fatalf("%s is never taken: %s", answer, w.Words("main"))
		}
		w.Says("document.querySelector(" + strconv.Quote(answer) + ")?.click()")
	}
}

func (w *walk) registersAWeight() {
	host, roles := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "a test"}), []string{rights.IT, rights.BalanceKeeper, rights.Reviewer}
	if _, err := w.lab.People().ChangePerson(w.T.Context(), host, "ada", rights.PersonChange{Roles: &roles, Reason: "looks after balances too"}); err != nil {
		w.T.Fatal(err)
	}
	w.Visit("/weights")
	w.Shows("main", "No reference weight is registered")
	for _, field := range [][2]string{{"#id", "f1-3-20"}, {"#nominal", "20 g"}, {"#set", "3"}, {"#number", "K-118"}, {"#date", "2020-01-15"}, {"#due", "2099-01-15"}} {
		w.Fill(field[0], field[1])
	}
	w.Until(`(document.getElementById("class").value = "F1", document.getElementById("class").value)`, "F1")
	w.Click("#register button[type=submit]")
	w.Shows("table", "f1-3-20", "K-118", "can be used")
	w.lab.has(1, record.KindWeightChanged, `"f1-3-20"`, `"ada"`)
}

// judges goes over what the failed check throws doubt on: one by one, the rest at once; before that it cannot be closed.
func (w *walk) judges() {
	w.Visit("/balances/b-7/failures/c000001")
	w.Shows("main", "50.1234 g", "are not judged")
	w.Lacks("#close-why")
	w.Click("input.one")
	w.Shows("#chosen", "1 weighing is chosen")
	w.Click(`input[value="affected"]`)
	w.Fill("#why", "too near to what a lot may lack")
	w.Click(`#judge button[value="chosen"]`)
	w.lab.has(1, record.KindAffectedJudged, `"affected"`, "too near to what a lot may lack", `"ada"`)
	w.Shows("tbody", "affected")
	w.Click(`input[value="no effect"]`)
	w.Fill("#why", "20 mg are nothing to seed lots")
	w.Click(`#judge button[value="all"]`)
	w.lab.has(2, record.KindAffectedJudged, `"no effect"`, `"ada"`)
	w.Shows("main", "All are judged")
	w.Fill("#close-why", "one lot is weighed again")
	w.Click(`form[data-send$="/close"] button`)
	w.lab.has(1, record.KindFailureClosed, "one lot is weighed again", `"affected":1`, `"ada"`)
	w.Shows("main", "Closed.")
}

// putsBack puts the balance back with a reason.
func (w *walk) putsBack() {
	w.Visit("/balances/b-7/fitness")
	w.Shows("main", "OUT OF SERVICE", "Closed.")
	w.Fill(`form[data-send$="/in-service"] input[name="reason"]`, "it stood in a draught")
	w.Click(`form[data-send$="/in-service"] button[type=submit]`)
	w.Shows(".outcome", "not known")
	back := 0
	for _, e := range w.lab.entries(record.KindFitnessChanged) {
		if text := string(e.JSON); strings.Contains(text, `"it stood in a draught"`) && strings.Contains(text, `"was":"out of service"`) && strings.Contains(text, `"ada"`) {
			back++
		}
	}
	if back != 1 {
		w.T.Errorf("%d entries say that the balance was put back, and why", back)
	}
}
