package screens

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// waitingStates are those in which a run waits for somebody.
var waitingStates = []string{record.RunComplete, record.RunReturned, record.RunInReview, record.RunReviewed, record.RunReviewAgain}

// reviewStates are what a list of runs can be narrowed to.
var reviewStates = []choice{{"", "that wait for somebody"}, {everything, "in any state"}, {record.RunComplete, "complete, not submitted"}, {record.RunInReview, "in review"},
	{record.RunReturned, "returned"}, {record.RunReviewed, "reviewed, not yet approved"}, {record.RunReviewAgain, "needs review again"}, {record.RunApproved, "approved"},
	{record.RunReplaced, "replaced"}, {record.RunAbandoned, "abandoned"}, {record.RunArchived, "archived"}}

// reviewsPath is where the list is.
const reviewsPath = "/reviews"

// noFlag asks for runs without any flag.
const noFlag = "none"

// reviewsList is the list of runs for whoever reviews them.
type reviewsList struct {
	Absent   bool
	Asked    url.Values
	Narrowed bool
	States   []choice
	Flags    []choice
	Mine     []console.ReviewGlance // those that wait for whoever looks
	Others   []console.ReviewGlance
	Next     string // address of the part that follows
	Together bool   // those without any flag can be approved at once, by whoever looks
	At       []togetherRun
	Signer   string
	MayRead  bool
}

// togetherRun is one of several that are approved at once.
type togetherRun struct {
	console.ReviewGlance
	Statement console.Statement
	Told      string // why it cannot be signed now
}

// Get is what was asked for under a name.
func (p *reviewsList) Get(name string) string { return p.Asked.Get(name) }

// Is says whether a word was asked for.
func (p *reviewsList) Is(name, word string) bool { return p.Asked.Get(name) == word }

// showReviewList lists runs whose steps are done: first what waits for whoever looks.
func (s *Screens) showReviewList(w http.ResponseWriter, r *http.Request) {
	who, q := s.who(r), r.URL.Query()
	p := &reviewsList{Absent: s.deps.Reviews == nil, Asked: q, States: reviewStates, Flags: []choice{{"", "with or without flags"}, {noFlag, "without any flag"}}, Signer: who.Name(), MayRead: who.Can(string(rights.ReadJournal))}
	for _, flag := range flagOrder {
		p.Flags = append(p.Flags, choice{flag, flag})
	}
	if !p.Absent {
		asked, narrowed := reviewsAsked(q)
		p.Narrowed = narrowed
		list := s.deps.Reviews.RunReviews(asked)
		for _, g := range list.Runs {
			if waitsFor(who, g) {
				p.Mine = append(p.Mine, g)
			} else {
				p.Others = append(p.Others, g)
			}
		}
		if list.Next != "" {
			to := asking(q, "after", list.Next)
			p.Next = "/reviews?" + to.Encode()
		}
		if p.Together = list.Together && who.Can(string(rights.ReviewRuns)); p.Together && q.Has("together") {
			s.together(r, p)
		}
	}
	at := "/runs"
	if slices.ContainsFunc(places, func(one place) bool { return one.Path == reviewsPath && one.open(who.Who) }) {
		at = reviewsPath
	}
	s.show(w, r, page{Template: "run-reviews.html", Title: "Runs to be reviewed", Place: at, Scripts: []string{"reviews.js"}, Data: p})
}

// asking is a question with one answer replaced.
func asking(q url.Values, name, value string) url.Values {
	to := url.Values{}
	for n := range q {
		if v := q.Get(n); v != "" {
			to.Set(n, v)
		}
	}
	to.Set(name, value)
	return to
}

// reviewsAsked reads what a list is asked for.
func reviewsAsked(q url.Values) (asked console.ReviewsAsked, narrowed bool) {
	asked = console.ReviewsAsked{States: waitingStates, Limit: runsLimit, After: q.Get("after")}
	for name, to := range map[string]*string{"procedure": &asked.Procedure, "sample": &asked.Sample, "balance": &asked.Balance, "flag": &asked.Flag} {
		*to = strings.TrimSpace(q.Get(name))
		narrowed = narrowed || *to != ""
	}
	switch state := q.Get("state"); state {
	case "":
	case everything:
		asked.States, narrowed = nil, true
	default:
		asked.States, narrowed = []string{state}, true
	}
	return asked, narrowed
}

// waiting says how many runs wait for whoever looks; "": none. As many are looked at as the page of them lists at once.
func (s *Screens) waiting(who who) string {
	if s.deps.Reviews == nil {
		return ""
	}
	list, n := s.deps.Reviews.RunReviews(console.ReviewsAsked{States: waitingStates, Limit: runsLimit}), 0
	for _, g := range list.Runs {
		if waitsFor(who, g) {
			n++
		}
	}
	switch {
	case list.Next != "" && n > 0:
		return fmt.Sprintf("%d or more", n)
	case n > 0:
		return strconv.Itoa(n)
	}
	return ""
}

// waitsFor says whether a run waits for somebody: as far as a list knows, which is not who else had a part in it.
func waitsFor(who who, g console.ReviewGlance) bool {
	mine := who.Actor.ID != "" && g.By.ID == who.Actor.ID
	review := who.Can(string(rights.ReviewRuns))
	switch g.State {
	case record.RunComplete, record.RunReturned:
		return mine && who.Can(string(rights.Run))
	case record.RunInReview:
		return review && !mine
	case record.RunReviewed:
		return who.Can(string(rights.ApproveRuns)) && !mine
	case record.RunReviewAgain:
		return review || mine && who.Can(string(rights.Run))
	}
	return false
}

// mostTogether is how many runs are approved at once: each statement is read before it is signed.
const mostTogether = 20

// together offers the runs without any flag that could be approved at once, each with the statement that is signed.
func (s *Screens) together(r *http.Request, p *reviewsList) {
	for _, g := range p.Mine {
		if len(p.At) == mostTogether {
			return
		}
		meaning := ""
		switch {
		case len(g.Flags) > 0:
		case g.State == record.RunInReview:
			meaning = record.MeansReviewed
		case g.State == record.RunReviewed:
			meaning = record.MeansApproved
		}
		if meaning == "" {
			continue
		}
		one := togetherRun{ReviewGlance: g}
		var err error
		one.Statement, err = s.deps.Reviews.RunStatement(r.Context(), g.ID, meaning)
		if one.Told = notSigned(one.Statement, err); one.Told == "" && one.Statement.Asks.Provider != "" {
			one.Told = "You sign at " + one.Statement.Asks.Provider + ", each run by itself: on its own page."
		}
		p.At = append(p.At, one)
	}
}

// Plain says how many of those that wait for whoever looks could be approved together.
func (p *reviewsList) Plain() int {
	n := 0
	for _, g := range p.Mine {
		if len(g.Flags) == 0 && slices.Contains([]string{record.RunInReview, record.RunReviewed}, g.State) {
			n++
		}
	}
	return n
}

// Words are the fields by which the list is narrowed.
func (p *reviewsList) Words() []choice {
	return []choice{{"procedure", "Procedure"}, {"sample", "Sample or container"}, {"balance", "Balance"}}
}

// reviewsTable is one table of runs.
type reviewsTable struct {
	Of      string // id of its heading
	Runs    []console.ReviewGlance
	MayRead bool // whoever looks may read the journal, and so a review
}
