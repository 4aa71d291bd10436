package dropped

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// SendRequest takes requests for runs that are not of the procedure "bad", as the daemon does: one that is known as it is leaves no entry.
func (l *lab) SendRequest(_ context.Context, s record.RequestSent, by record.Actor) (record.RequestStands, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	what := "took " + s.Request.ID
	switch {
	case s.Change != nil:
		what = "changed " + s.Request.ID
	case s.Cancel != "":
		what = "cancelled " + s.Request.ID
	case s.Request.Procedure == "bad":
		return record.RequestStands{}, &record.NotDone{Why: "there is no procedure bad"}
	case slices.Contains(l.done, what):
		return record.RequestStands{RequestRef: s.Request.RequestRef, State: record.RequestWaiting, Again: true}, nil
	}
	if !slices.Contains(l.done, "took "+s.Request.ID) && what != "took "+s.Request.ID {
		return record.RequestStands{}, record.ErrNoRequest
	}
	l.by = append(l.by, by)
	return record.RequestStands{RequestRef: s.Request.RequestRef, State: record.RequestWaiting}, l.act(by.Request, what)
}

const ordersText = `[{"id": "R-1", "procedure": "p", "job": "J-1"}, {"id": "R-2", "procedure": "bad"}, {"id": "R-1", "change": {"priority": 1}},
	{"id": "R-3", "procedure": "p", "colour": "red"}, {"id": "R-4", "procedure": "p"}, {"id": "R-9", "cancel": "why"}, {"id": "R-4", "cancel": "not wanted"},
	{"id": "R-5", "from": "other", "procedure": "p"}]`

// TestAFileAsksForRuns: each request says what became of it, the folder's name is the sender, and one that cannot be taken holds up no other.
func TestAFileAsksForRuns(t *testing.T) {
	b := newBench(t, t.TempDir()+"/", &lab{})
	b.put("a.requests.json", ordersText)
	b.put("b.requests.json", `{"id": "R-1", "procedure": "p", "job": "J-1"}`)
	b.put("c.requests.json", `{"id": "R-6", "id": "R-7", "procedure": "p"}`)
	b.put("d.requests.json", `{"id": "R-6"`)
	b.must(3)
	b.did("took R-1", "changed R-1", "took R-4", "cancelled R-4")
	a := b.answer("taken/a.requests.answer.json")
	if a.Done != 4 || a.Refused != 4 || len(a.Runs) != 8 {
		t.Errorf("%+v", a)
	}
	for i, why := range []string{"", "There is no procedure bad.", "", `"colour" is unknown`, "", "No request of that id", "", "leave from out"} {
		if o := a.Runs[i]; o.Number != i+1 || o.OK != (why == "") || !strings.Contains(o.Why, why) || o.ID == "" {
			t.Errorf("%+v, not %s", o, why)
		}
	}
	if by := b.lab.by[0]; by.By != record.ActorFile || by.Where != "a.requests.json" || a.Runs[0].From != by.ID || by.Request == "" {
		t.Errorf("%+v", by)
	}
	if a := b.answer("taken/b.requests.answer.json"); a.Done != 1 || !a.Runs[0].Again {
		t.Errorf("%+v", a)
	}
	if a := b.answer("refused/c.requests.answer.json"); a.Done != 0 || !strings.Contains(a.Runs[0].Why, "there twice") {
		t.Errorf("%+v", a)
	}
	if a := b.answer("refused/d.requests.answer.json"); a.Why == "" || a.Runs != nil {
		t.Errorf("%+v", a)
	}
}

// TestRunsAreAskedForOnceAfterAKill: killed at each of its acts, before or after it is in the journal, the file is gone on with, and nothing is done twice.
func TestRunsAreAskedForOnceAfterAKill(t *testing.T) {
	for at := range 4 {
		for _, carried := range []bool{false, true} {
			t.Run(fmt.Sprintf("act %d, in the journal %v", at, carried), func(t *testing.T) {
				killed := false
				l := &lab{unknown: func(n int) (bool, bool) {
					if n == at && !killed {
						killed = true
						return carried, true
					}
					return true, false
				}}
				dir := t.TempDir()
				b := newBench(t, dir, l)
				b.put("a.requests.json", ordersText)
				var err error
				for i := 0; i < 3 && !killed; i++ {
					err = b.rounds(1)
				}
				if err == nil || !killed {
					t.Fatal("it was not interrupted", err)
				}
				b = newBench(t, dir, l) // as after a start: nothing is remembered
				b.must(2)
				b.did("took R-1", "changed R-1", "took R-4", "cancelled R-4")
				if a := b.answer("taken/a.requests.answer.json"); a.Done != 4 || a.Refused != 4 {
					t.Errorf("%+v", a)
				}
			})
		}
	}
}
