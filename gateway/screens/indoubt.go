package screens

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// doubtsShown is how many weighings that a failed check throws doubt on stand on one page.
const doubtsShown = 50

// doubtData is what a failed check throws doubt on.
type doubtData struct {
	console.Doubtful
	Failure      console.FailureView
	Balance      record.Balance
	Number       string // of the check, as addresses have it
	Told         string // why the list cannot be read now
	Next, First  string // addresses of parts of the list
	May          bool
	Refers       string // address of the API's failure
	AllJudged    bool
	InTheBalance string // how long a list may be judged at once
}

// showInDoubt lists what was weighed between the last good check and the one that failed, to be judged.
func (s *Screens) showInDoubt(w http.ResponseWriter, r *http.Request) {
	v, ok := s.fitnessAt(w, r)
	if !ok {
		return
	}
	id, number := v.Balance.ID, r.PathValue("check")
	i := slices.IndexFunc(v.Failures, func(f console.FailureView) bool { return checkNumber(f.Check) == number })
	if i < 0 {
		s.sorry(w, r, http.StatusNotFound, "There is no such failed check", "No check of balance "+id+" that failed has this number.")
		return
	}
	here := "/balances/" + url.PathEscape(id) + "/failures/" + url.PathEscape(number)
	after, _ := strconv.ParseUint(r.URL.Query().Get("after"), 10, 62) // what is no number is the beginning
	d := &doubtData{Failure: v.Failures[i], Balance: v.Balance, Number: number, May: s.who(r).CanAt(string(rights.JudgeFailed), id),
		Refers: "/api/v1/balances/" + url.PathEscape(id) + "/failures/" + url.PathEscape(number)}
	var err error
	if d.Doubtful, err = s.deps.Fitness.InDoubt(r.Context(), id, d.Failure.Check, after, doubtsShown); err != nil {
		d.Told = err.Error()
	}
	if d.Doubtful.Next > 0 {
		d.Next = here + "?after=" + strconv.FormatUint(d.Doubtful.Next, 10)
	}
	if after > 0 {
		d.First = here
	}
	d.AllJudged = err == nil && d.Unjudged == 0
	s.show(w, r, page{Template: "indoubt.html", Title: "In doubt after check " + number + " of " + id, Place: "/", Scripts: []string{"indoubt.js"}, Data: d})
}

// Verdict is how an effect is shown.
func (d *doubtData) Verdict(word string) fitLook { return verdictLook(word) }
