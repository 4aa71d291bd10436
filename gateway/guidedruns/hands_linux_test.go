package guidedruns

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
)

// seat is a browser before the pages of a lab, with one of its people.
type seat struct {
	*chromium.Seat
	l     *lab
	taken int    // pictures
	run   string // the one that is under way
}

func sitDown(t *testing.T, l *lab) *seat {
	t.Helper()
	return &seat{Seat: chromium.Sit(t, 8*time.Minute, l.PageURL()), l: l}
}

// is has somebody else before the browser.
func (s *seat) is(person string) {
	s.T.Helper()
	s.Base = s.l.PageURL()
	s.Is(s.l.cookies[person])
}

// shoot keeps pictures of the page as a bench screen and a phone have it, where somebody wants some.
func (s *seat) shoot(name string) {
	s.T.Helper()
	if s.Shots == "" {
		return
	}
	s.taken++
	for _, one := range []struct {
		name          string
		width, height int
	}{{"phone", 400, 800}, {"bench", 1280, 800}} {
		s.Size(one.width, one.height)
		s.Until("innerWidth", strconv.Itoa(one.width))
		s.Shoot(fmt.Sprintf("%02d-%s-%s", s.taken, name, one.name), true)
	}
}

// begins goes from the list of requests to a run of one, with the mouse.
func (s *seat) begins(request, balance string) {
	s.T.Helper()
	s.Visit("requests")
	s.Sends(`a[href="/requests/lims/` + request + `"]`)
	if balance != "" {
		s.Choose("#at", balance)
	}
	s.Sends("#begin-request button")
	s.begun()
}

// begun waits for the page of the run, and keeps its id.
func (s *seat) begun() {
	s.T.Helper()
	s.Until("location.pathname + ' ' + document.readyState", "/runs/r-", "complete")
	s.run = s.Says("document.getElementById('run').dataset.run")
}

// says waits until the page says what to do, with the step in its words.
func (s *seat) says(words string) {
	s.T.Helper()
	s.Shows("#say", words)
}

// scans has a scanner before the page: it types, and Enter ends it.
func (s *seat) scans(say, code string) {
	s.T.Helper()
	s.says(say)
	s.Ready("#scan")
	s.Enters(code)
}

// stopped scans what is a mistake: the page says so in a sentence, and waits for the same as before.
func (s *seat) stopped(say, code, why string) {
	s.T.Helper()
	s.scans(say, code)
	s.Shows(".stopped-line", why)
	s.says(say)
}

// does presses the one large button.
func (s *seat) does(say string) {
	s.T.Helper()
	s.says(say)
	s.Click("[data-main]")
}

// enter presses Enter where nothing has the keyboard but the page.
func (s *seat) enter(say string) {
	s.T.Helper()
	s.says(say)
	time.Sleep(600 * time.Millisecond) // the calm after a new instruction, in which no key answers it
	s.Keys(chromium.Enter)
}

// answers types an answer, and Enter.
func (s *seat) answers(say, value string) {
	s.T.Helper()
	s.says(say)
	s.Ready("#answer")
	s.Enters(value)
}

// reasons gives a reason of its own in one of the forms that ask for one.
func (s *seat) reasons(form, reason string) {
	s.T.Helper()
	if s.Says("document.getElementById("+strconv.Quote(form)+")?.open") != "true" {
		s.Click("#" + form + " > summary")
	}
	s.Fill("#"+form+"-why", reason)
	s.Click("#" + form + " form .acts button")
}

// steps are the attempts of the run that the journal has.
func (s *seat) steps() []record.RunStep {
	s.T.Helper()
	return slices.DeleteFunc(all[record.RunStep](s.l, record.KindRunStep), func(r record.RunStep) bool { return r.Run.ID != s.run })
}

// attempt holds one attempt of the run against what happened at the balance and the page.
func (s *seat) attempt(step string, pass int, became, value, reason string) record.RunStep {
	s.T.Helper()
	for _, one := range s.steps() {
		if one.Step == step && one.Pass == pass && one.Became == became && strings.Contains(one.Why+"|"+one.Reason, reason) && (value == "" || one.Value != nil && valueOf(one.Value) == value) {
			return one
		}
	}
	s.T.Errorf("the journal has no attempt at %s %d that became %s with %q and %q: %s", step, pass, became, value, reason, s.told())
	return record.RunStep{}
}

func valueOf(v *record.RunValue) string { return strings.TrimSpace(v.Digits + " " + v.Unit + v.Text) }

// told tells all attempts, for whoever reads why a test failed.
func (s *seat) told() string {
	var text strings.Builder
	for _, one := range s.steps() {
		fmt.Fprintf(&text, "\n%s %d %s", one.Step, one.Pass, one.Became)
		if one.Value != nil {
			text.WriteString(" " + valueOf(one.Value))
		}
		fmt.Fprintf(&text, " %s|%s by %s", one.Why, one.Reason, one.By.ID)
	}
	return text.String()
}

// result is what a run has to find: name, and of a block what it is of.
type result struct{ name, of, value, verdict string }

// ended holds the end of the run in the journal against what it had to find, and what the lab system is told against the same.
func (s *seat) ended(request, verdict string, want ...result) record.RunEnded {
	s.T.Helper()
	s.Shows(".outcome")
	var found *record.RunEnded
	for _, one := range all[record.RunEnded](s.l, record.KindRunEnded) {
		if one.Run.ID == s.run {
			found = &one
		}
	}
	if found == nil {
		s.T.Fatalf("the journal has no end of %s: %s", s.run, s.told())
	}
	if found.State != record.RunComplete || found.Verdict != verdict {
		s.T.Errorf("the run is %s, %s, and had to be complete, %s", found.State, found.Verdict, verdict)
	}
	s.l.ran = append(s.l.ran, s.run)
	holds(s, "the journal", found.Results, want)
	if request == "" {
		return *found
	}
	var v console.RequestView
	s.l.ask("lims", 200, "GET", "requests/lims/"+request, nil, &v)
	if v.State != record.RequestComplete || v.Verdict != verdict || v.Run != s.run || v.Job != "J-"+request || v.Fields["order"] != "2026/"+request {
		s.T.Errorf("the lab system is told %+v", v)
	}
	holds(s, "the lab system that asks", v.Results, want)
	end := s.l.delivered(request)
	if end.Verdict != verdict || end.Run != s.run || end.Request.Job != v.Job || end.Request.Fields["order"] != v.Fields["order"] {
		s.T.Errorf("to the lab system is delivered %+v", end)
	}
	holds(s, "what is delivered", end.Results, want)
	changed := all[record.LabRequestChanged](s.l, record.KindRequestChanged)
	var became []string
	for _, c := range changed {
		if c.Request.ID == request {
			became = append(became, c.Change)
		}
	}
	if !slices.Equal(became, []string{record.RequestReceived, record.RequestBegun, record.RequestComplete}) {
		s.T.Errorf("the journal says of the request: %v", became)
	}
	return *found
}

func holds(s *seat, who string, got []record.RunResult, want []result) {
	s.T.Helper()
	var have []result
	for _, r := range got {
		of := ""
		if r.Item != nil {
			of = strings.Trim(r.Item.Sample+" "+r.Item.Container, " ")
		}
		have = append(have, result{r.Name, of, strings.TrimSpace(r.Digits + " " + r.Unit + r.Text), r.Verdict})
	}
	if !slices.Equal(have, want) {
		s.T.Errorf("%s has\n%q, and it had to be\n%q", who, have, want)
	}
}
