package runs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/journal/memory"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

const driedText = `
procedure: dry-mass
title: Mass of a dried portion
about: samples
most: 3
parameters:
  - {name: portion, unit: g, limits: {at_least: 1 g, at_most: 50 g}}
balances:
  fine: {readability: 1 mg}
steps:
  - {step: mass, do: weigh, on: fine, limits: {from: none are set}}
results: [mass]
`

// askedLab has two balances: a fine one, and one that is too coarse for dry-mass.
type askedLab struct {
	mu    sync.Mutex
	unfit map[string]string
}

func (l *askedLab) Ready() bool { return true }

func (l *askedLab) Facts(id string) (f procedure.Facts, known bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	d, known := map[string]string{"b-1": "0.001", "b-2": "0.1"}[id]
	if known {
		f = procedure.Facts{Balance: record.Balance{ID: id}, Unfit: l.unfit[id]}
		f.Readability, _ = new(big.Rat).SetString(d)
	}
	return f, known
}

// askedRoom is a room on a journal, with dry-mass adopted.
type askedRoom struct {
	*Room
	t   *testing.T
	lab *askedLab
	j   *memory.Journal
	now time.Time
	end func()
}

var (
	lims = record.Actor{ID: "lims", By: record.ActorAPIKey}
	ada  = record.Actor{ID: "ada", Name: "Ada", By: record.ActorPassword}
	ben  = record.Actor{ID: "ben", Name: "Ben", By: record.ActorPassword}
)

func openAsked(t *testing.T, j *memory.Journal, dir string) *askedRoom {
	t.Helper()
	a := &askedRoom{t: t, lab: &askedLab{unfit: map[string]string{}}, j: j, now: time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)}
	a.Room = New(Options{Dir: dir, Journal: j, Incarnation: "7qx3", Stamp: func() record.Stamp { return record.Stamp{UTC: record.UTC(a.now)} }, Log: slog.New(slog.DiscardHandler),
		Config: Default, Lab: a.lab})
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { a.Run(ctx) })
	a.end = sync.OnceFunc(func() { cancel(); running.Wait() })
	t.Cleanup(a.end)
	a.Await(t.Context(), 10*time.Second)
	return a
}

func newAsked(t *testing.T) *askedRoom {
	t.Helper()
	a := openAsked(t, memory.New("lab"), t.TempDir())
	a.adopt(driedText)
	return a
}

func (a *askedRoom) adopt(text string) {
	a.t.Helper()
	v, err := a.Write(a.t.Context(), text, "as agreed", ada)
	if err == nil {
		_, err = a.Decide(a.t.Context(), v.Name, v.ProcedureRef.Version, record.ProcedureAdopted, "as agreed", ben)
	}
	if err != nil {
		a.t.Fatal(err)
	}
}

func order(id string, samples ...string) record.LabRequest {
	l := record.LabRequest{RequestRef: record.RequestRef{From: "lims", ID: id}, Procedure: "dry-mass", Parameters: map[string]string{"portion": "10 g"}, Job: "J-1"}
	for _, s := range samples {
		l.Items = append(l.Items, record.RunItem{Sample: s})
	}
	return l
}

func (a *askedRoom) take(l record.LabRequest) Request {
	a.t.Helper()
	q, _, err := a.TakeRequest(a.t.Context(), l, lims)
	if err != nil {
		a.t.Fatal(err)
	}
	return q
}

// why gives the sentence with which something is refused.
func why(t *testing.T, err error) string {
	t.Helper()
	var not *record.NotDone
	if !errors.As(err, &not) {
		t.Fatalf("not refused in a sentence: %v", err)
	}
	return not.Why
}

// TestARequestThatComesAgainIsTheSame: as it was sent or as it is now, and no entry more; another content is refused.
func TestARequestThatComesAgainIsTheSame(t *testing.T) {
	a := newAsked(t)
	first := order("R-1", "LOT-1")
	a.take(first)
	head := a.j.Head()
	again := func(l record.LabRequest) {
		t.Helper()
		if q, same, err := a.TakeRequest(t.Context(), l, lims); err != nil || !same || q.ID != "R-1" || a.j.Head() != head {
			t.Errorf("%v %v %+v, head %d not %d", same, err, q, a.j.Head(), head)
		}
	}
	again(first)
	usual := first
	usual.Priority = 5
	again(usual)
	if _, err := a.ChangeRequest(t.Context(), first.RequestRef, record.RequestChange{Priority: 1, Reason: "the customer waits"}, lims); err != nil {
		t.Fatal(err)
	}
	head++
	again(first)
	now := first
	now.Priority = 1
	again(now)
	for _, other := range []func(*record.LabRequest){func(l *record.LabRequest) { l.Job = "J-2" }, func(l *record.LabRequest) { l.Items = order("", "LOT-2").Items },
		func(l *record.LabRequest) { l.Parameters = map[string]string{"portion": "11 g"} }, func(l *record.LabRequest) { l.Priority = 9 }} {
		l := order("R-1", "LOT-1")
		other(&l)
		if _, _, err := a.TakeRequest(t.Context(), l, lims); !strings.Contains(why(t, err), "asked for something else") || a.j.Head() != head {
			t.Errorf("%+v: %v", l, err)
		}
	}
	other := first
	other.From = "the-other"
	if q := a.take(other); q.From != "the-other" { // an id is its sender's
		t.Errorf("%+v", q)
	}
}

// TestWhatCannotBeDoneIsNotTaken, in a sentence, and leaves nothing behind.
func TestWhatCannotBeDoneIsNotTaken(t *testing.T) {
	a := newAsked(t)
	head := a.j.Head()
	due := record.UTC(time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC))
	for want, change := range map[string]func(*record.LabRequest){
		"there is no procedure wet-mass":  func(l *record.LabRequest) { l.Procedure = "wet-mass" },
		"version 2 of the procedure":      func(l *record.LabRequest) { l.Version = 2 },
		"no parameter humidity":           func(l *record.LabRequest) { l.Parameters["humidity"] = "3 %" },
		"portion is missing":              func(l *record.LabRequest) { l.Parameters = nil },
		"the parameter portion: ":         func(l *record.LabRequest) { l.Parameters["portion"] = "10 m" },
		"at most 50 g is allowed":         func(l *record.LabRequest) { l.Parameters["portion"] = "50.001 g" },
		"at least 1 g is allowed":         func(l *record.LabRequest) { l.Parameters["portion"] = "999 mg" },
		"is given twice":                  func(l *record.LabRequest) { l.Items = append(l.Items, l.Items[0]) },
		"about 3 at most":                 func(l *record.LabRequest) { l.Items = order("", "A", "B", "C", "D").Items },
		"there is no balance b-9":         func(l *record.LabRequest) { l.Balance = "b-9" },
		"the procedure asks for 1 mg":     func(l *record.LabRequest) { l.Balance = "b-2" },
		"priority is 10":                  func(l *record.LabRequest) { l.Priority = 10 },
		"from is empty":                   func(l *record.LabRequest) { l.From = "" },
		"id holds the character U+202E":   func(l *record.LabRequest) { l.ID = "R\u202e1" },
		"item 1: sample holds":            func(l *record.LabRequest) { l.Items[0].Sample = "LOT\x00" },
		"it has 501 items":                func(l *record.LabRequest) { l.Items = make([]record.RunItem, 501) },
		"it has 33 fields":                func(l *record.LabRequest) { l.Fields = fields(33) },
		"item 1: it has 33 fields":        func(l *record.LabRequest) { l.Items[0].Fields = fields(33) },
		"has 501 characters":              func(l *record.LabRequest) { l.Fields = map[string]string{"x": strings.Repeat("é", 501)} },
		"it has 101 parameters":           func(l *record.LabRequest) { l.Parameters = fields(101) },
		"neither sample nor container is": func(l *record.LabRequest) { l.Items = []record.RunItem{{Lot: "1"}} },
	} {
		l := order("R-1", "LOT-1")
		l.Due = &due
		change(&l)
		if _, _, err := a.TakeRequest(t.Context(), l, lims); !strings.Contains(why(t, err), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	if a.j.Head() != head || len(a.Requests(RequestsAsked{State: "all"})) != 0 {
		t.Errorf("the journal has %d entries, and had %d", a.j.Head(), head)
	}
}

func fields(n int) map[string]string {
	m := map[string]string{}
	for i := range n {
		m[fmt.Sprintf("f%d", i)] = "x"
	}
	return m
}

// TestTheOrderOfRequests: by priority, then when they are due, then as they came; and what a balance cannot do is not its business.
func TestTheOrderOfRequests(t *testing.T) {
	a := newAsked(t)
	day := func(n int) *record.UTC {
		u := record.UTC(time.Date(2026, 12, n, 0, 0, 0, 0, time.UTC))
		return &u
	}
	for _, one := range []struct {
		id, balance string
		priority    int
		due         *record.UTC
	}{{"last", "", 9, day(1)}, {"plain", "", 0, nil}, {"soon", "b-1", 5, day(2)}, {"later", "", 5, day(3)}, {"first", "", 1, nil}, {"plain-2", "b-1", 5, nil}} {
		l := order(one.id, "LOT-"+one.id)
		l.Balance, l.Priority, l.Due = one.balance, one.priority, one.due
		a.take(l)
	}
	ids := func(q RequestsAsked) string {
		var list []string
		for _, one := range a.Requests(q) {
			list = append(list, one.ID)
		}
		return strings.Join(list, " ")
	}
	expect := func(q RequestsAsked, want string) {
		t.Helper()
		if got := ids(q); got != want {
			t.Errorf("%+v: %s, not %s", q, got, want)
		}
	}
	expect(RequestsAsked{}, "first soon later plain plain-2 last")
	expect(RequestsAsked{Balance: "b-1", Limit: 2}, "first soon")
	expect(RequestsAsked{Balance: "b-2"}, "") // too coarse, and none names it
	expect(RequestsAsked{Sample: "LOT-soon"}, "soon")
	expect(RequestsAsked{Sample: "LOT"}, "")
	expect(RequestsAsked{From: "nobody"}, "")
	a.lab.unfit["b-1"] = "Balance b-1 is out of service."
	expect(RequestsAsked{Balance: "b-1"}, "soon plain-2") // those that name it wait for it
	if q, _ := a.Request(record.RequestRef{From: "lims", ID: "soon"}); q.Cannot != "Balance b-1 is out of service." || q.Overdue || q.Title != "Mass of a dried portion" {
		t.Errorf("%+v", q)
	}
	a.now = day(3).Time().Add(time.Second)
	if q, _ := a.Request(record.RequestRef{From: "lims", ID: "later"}); !q.Overdue || q.Cannot != "" {
		t.Errorf("%+v", q)
	}
	if _, err := a.Decide(t.Context(), "dry-mass", 1, record.ProcedureWithdrawn, "the clause was withdrawn", ben); err != nil {
		t.Fatal(err)
	}
	if q, _ := a.Request(record.RequestRef{From: "lims", ID: "later"}); !strings.Contains(q.Cannot, "no version of the procedure dry-mass is adopted") {
		t.Errorf("%+v", q)
	}
	expect(RequestsAsked{}, "first soon later plain plain-2 last")
}

// TestWhatBecomesOfARequest: it is begun with its run, and complete or abandoned with its run's end, each in the same append; while it is begun
// nobody cancels or changes it.
func TestWhatBecomesOfARequest(t *testing.T) {
	a := newAsked(t)
	l := order("R-1", "LOT-1")
	l.Task, l.Fields, l.Items[0].Fields, l.Items[0].Position = "T-9", map[string]string{"Prüfauftrag": "7/ä"}, map[string]string{"well": "A1"}, 4
	a.take(l)
	a.take(order("R-2", "LOT-2"))
	ref := l.RequestRef
	if _, err := a.Begin(t.Context(), Order{Request: &record.RequestRef{From: "lims", ID: "R-9"}}, ada); !errors.Is(err, record.ErrNoRequest) {
		t.Error(err)
	}
	run, err := a.Begin(t.Context(), Order{Request: &ref, Balance: "b-1"}, ada)
	if err != nil {
		t.Fatal(err)
	}
	q, _ := a.Request(ref)
	if q.State != record.RequestBegun || q.Run != run {
		t.Errorf("%+v", q)
	}
	if got := a.last(2); got != "run-begun request-changed" {
		t.Error(got)
	}
	_, err = a.Begin(t.Context(), Order{Request: &ref}, ada)
	if !strings.Contains(why(t, err), "the run "+run+" answers") {
		t.Error(err)
	}
	_, err = a.CancelRequest(t.Context(), ref, "not wanted any more", lims)
	if !strings.Contains(why(t, err), "abandon it first") {
		t.Error(err)
	}
	if _, err = a.ChangeRequest(t.Context(), ref, record.RequestChange{Priority: 1}, lims); !strings.Contains(why(t, err), "only one that waits") {
		t.Error(err)
	}
	if err := a.Act(t.Context(), run, procedure.Act{Abandon: "it was spilt"}, ada, Able{}); err != nil {
		t.Fatal(err)
	}
	if q, _ = a.Request(ref); q.State != record.RequestAbandoned || q.Run != run || q.Reason != "it was spilt" || !reflect.DeepEqual(q.Items, l.Items) || q.Task != "T-9" ||
		q.Fields["Prüfauftrag"] != "7/ä" || a.last(2) != "run-ended request-changed" {
		t.Errorf("%s %+v", a.last(2), q)
	}
	a.weigh(record.RequestRef{From: "lims", ID: "R-2"})
	if q, _ = a.Request(record.RequestRef{From: "lims", ID: "R-2"}); q.State != record.RequestComplete || len(q.Results) != 1 || q.Results[0].Digits != "10.002" || q.Verdict == "" ||
		a.last(2) != "run-ended request-changed" {
		t.Errorf("%s %+v", a.last(2), q)
	}
}

// weigh begins a run of a request and weighs what it wants.
func (a *askedRoom) weigh(ref record.RequestRef) {
	a.t.Helper()
	run, err := a.Begin(a.t.Context(), Order{Request: &ref, Balance: "b-1"}, ada)
	if err != nil {
		a.t.Fatal(err)
	}
	w := &record.Weighing{Balance: record.Balance{ID: "b-1"}, Value: record.Value{Digits: "10.002", Unit: "g", Kind: "gross", Stability: "stable", Range: "in"},
		Context: record.Context{Run: &record.Learnt{ID: run}, Person: &record.Learnt{ID: "ada"}}, Stamp: record.Stamp{UTC: record.UTC(a.now)}}
	if _, err := a.j.Append(a.t.Context(), w); err != nil {
		a.t.Fatal(err)
	}
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		if q, _ := a.Request(ref); q.State == record.RequestComplete {
			return
		}
		if time.Now().After(deadline) {
			s, _ := a.Open(run)
			a.t.Fatalf("the run does not end: %+v", s.Next)
		}
	}
}

// last names the kinds of the last entries.
func (a *askedRoom) last(n int) string {
	a.t.Helper()
	entries, err := a.j.Read(a.t.Context(), a.j.Head()-uint64(n), n)
	if err != nil {
		a.t.Fatal(err)
	}
	var kinds []string
	for _, e := range entries {
		kinds = append(kinds, string(e.Kind))
	}
	return strings.Join(kinds, " ")
}

// TestCancelledStaysSo: twice is once.
func TestCancelledStaysSo(t *testing.T) {
	a := newAsked(t)
	l := order("R-1", "LOT-1")
	a.take(l)
	for range 2 {
		q, err := a.CancelRequest(t.Context(), l.RequestRef, "the lot was withdrawn", lims)
		if err != nil || q.State != record.RequestCancelled || q.Reason != "the lot was withdrawn" {
			t.Errorf("%+v %v", q, err)
		}
	}
	if got := a.last(2); got != "request-changed request-changed" {
		t.Error(got)
	}
	head := a.j.Head()
	if _, again, err := a.TakeRequest(t.Context(), l, lims); err != nil || !again || a.j.Head() != head {
		t.Error(again, err) // it came before, and its sender is told what became of it
	}
	if _, err := a.Begin(t.Context(), Order{Request: &l.RequestRef}, ada); !strings.Contains(why(t, err), "is cancelled") {
		t.Error(err)
	}
	if _, err := a.CancelRequest(t.Context(), record.RequestRef{From: "lims", ID: "R-2"}, "why", lims); !errors.Is(err, record.ErrNoRequest) {
		t.Error(err)
	}
}

// TestRequestsAreWhatTheJournalSays: after random acts the room is as one that reads the journal anew, and as one that begins with what was
// written down.
func TestRequestsAreWhatTheJournalSays(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 11))
	dir := t.TempDir()
	a := openAsked(t, memory.New("lab"), dir)
	a.adopt(driedText)
	for range 120 {
		ref := record.RequestRef{From: "lims", ID: fmt.Sprintf("R-%d", rnd.IntN(25))}
		switch rnd.IntN(5) {
		case 0, 1:
			l := order(ref.ID, "LOT-"+ref.ID)
			l.Priority = rnd.IntN(2)
			_, _, _ = a.TakeRequest(t.Context(), l, lims)
		case 2:
			_, _ = a.ChangeRequest(t.Context(), ref, record.RequestChange{Priority: 1 + rnd.IntN(9)}, lims)
		case 3:
			_, _ = a.CancelRequest(t.Context(), ref, "not wanted", lims)
		case 4:
			if run, err := a.Begin(t.Context(), Order{Request: &ref}, ada); err == nil && rnd.IntN(2) == 0 {
				_ = a.Act(t.Context(), run, procedure.Act{Abandon: "not wanted"}, ada, Able{})
			}
		}
	}
	want := a.Requests(RequestsAsked{State: "all"})
	a.end()
	if len(want) < 5 {
		t.Fatalf("only %d requests came", len(want))
	}
	if _, err := os.Stat(filepath.Join(dir, FileName)); err != nil {
		t.Fatal(err)
	}
	for what, at := range map[string]string{"what was written down": dir, "the journal": t.TempDir()} {
		b := openAsked(t, a.j, at)
		if got := b.Requests(RequestsAsked{State: "all"}); asJSON(t, got) != asJSON(t, want) {
			t.Errorf("of %s: %s\nnot\n%s", what, asJSON(t, got), asJSON(t, want))
		}
		b.end()
	}
}

func asJSON(t *testing.T, list []Request) string {
	t.Helper()
	b, err := json.Marshal(list)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestRequestsAreBounded: of those that ended long ago it is known that they came, so that none is done twice; and what waits is counted.
func TestRequestsAreBounded(t *testing.T) {
	k := newRequests()
	for i := range mostDone + 10 {
		ref := record.RequestRef{From: "lims", ID: fmt.Sprint(i)}
		k.by[ref] = &Request{LabRequest: record.LabRequest{RequestRef: ref}, State: record.RequestCancelled}
		k.end(ref)
	}
	old := record.RequestRef{From: "lims", ID: "3"}
	if len(k.by) != mostDone || len(k.ended) != mostDone || k.by[old] != nil || !k.gone.has(old) || k.gone.has(record.RequestRef{From: "lims", ID: "10"}) {
		t.Errorf("%d %d", len(k.by), len(k.ended))
	}
	b, err := json.Marshal(k)
	var again requestsKnown
	if err = errors.Join(err, json.Unmarshal(b, &again)); err != nil || !reflect.DeepEqual(again, k) {
		t.Error("not read as it was written", err)
	}
	for range 2 {
		for i := range mostGone {
			k.gone.add(record.RequestRef{From: "x", ID: fmt.Sprint(i)})
		}
	}
	if len(k.gone.order) != mostGone || len(k.gone.there) != mostGone || k.gone.has(old) {
		t.Errorf("%d %d", len(k.gone.order), len(k.gone.there))
	}
	a := newAsked(t)
	a.view.Lock()
	a.requests.gone.add(old)
	for i := range mostWaiting {
		ref := record.RequestRef{From: "other", ID: fmt.Sprint(i)}
		a.requests.by[ref] = &Request{LabRequest: record.LabRequest{RequestRef: ref}, State: record.RequestWaiting}
	}
	a.view.Unlock()
	if _, _, err := a.TakeRequest(t.Context(), order("3", "LOT-1"), lims); !strings.Contains(why(t, err), "ended long ago") {
		t.Error(err)
	}
	if _, _, err := a.TakeRequest(t.Context(), order("R-1", "LOT-1"), lims); !strings.Contains(why(t, err), "10000 requests wait") {
		t.Error(err)
	}
}
