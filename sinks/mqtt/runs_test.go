package mqtt

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
)

// askedLab takes requests for runs as the daemon does, and keeps them in memory.
type askedLab struct {
	mu    sync.Mutex
	known map[string]record.LabRequest
	acts  []string
	by    []record.Actor
	err   error
}

func (l *askedLab) SendRequest(_ context.Context, s record.RequestSent, by record.Actor) (record.RequestStands, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	stands := record.RequestStands{RequestRef: s.Request.RequestRef, State: record.RequestWaiting}
	was, known := l.known[s.Request.ID]
	switch {
	case l.err != nil:
		return record.RequestStands{}, l.err
	case (s.Change != nil || s.Cancel != "") && !known:
		return record.RequestStands{}, record.ErrNoRequest
	case s.Change != nil:
		l.acts = append(l.acts, "changed "+s.Request.ID)
	case s.Cancel != "":
		l.acts, stands.State = append(l.acts, "cancelled "+s.Request.ID), record.RequestCancelled
	case known && !was.Same(&s.Request):
		return record.RequestStands{}, &record.NotDone{Why: "it came before, and asked for something else"}
	case known:
		stands.Again = true
	default:
		l.known[s.Request.ID] = s.Request
		l.acts = append(l.acts, "took "+s.Request.ID)
	}
	l.by = append(l.by, by)
	return stands, nil
}

func (l *askedLab) did() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Join(l.acts, ", ")
}

const runsTopic = "weighpost/" + testSite + "/@/requests/set"

// TestRequestsForRunsAreTakenAndAnswered: of one message each says what became of it, the sender is the destination, and what is not taken says why.
func TestRequestsForRunsAreTakenAndAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		o := &office{h: newHolder(), stop: cancel}
		lab := &askedLab{known: map[string]record.LabRequest{}}
		o.desk = newDesk(ctx, newTopics("weighpost", testSite), sinks.Env{Contexts: o.h, Reader: o.h, Requests: lab}, "lims", false, slog.New(slog.DiscardHandler), o.keep)
		defer o.end()
		a := o.ask(t, runsTopic, `{"id":"R-1","procedure":"dry-mass","items":[{"sample":"LOT-1"}],"request":"42"}`)
		if !a.Accepted || a.Request != "42" || a.Schema != runsAnswerSchema || len(a.Requests) != 1 || a.Requests[0].State != "waiting" || a.Requests[0].From != "lims" || a.Context != nil {
			t.Errorf("%+v", a)
		}
		if o.topics[0] != "weighpost/"+testSite+"/@/requests/answer" {
			t.Error(o.topics[0])
		}
		if by := lab.by[0]; by.ID != "lims" || by.By != record.ActorBroker || by.Where != runsTopic || by.Request == "" {
			t.Errorf("%+v", by)
		}
		if a := o.ask(t, runsTopic, `{"id":"R-1","procedure":"dry-mass","items":[{"sample":"LOT-1"}]}`); !a.Accepted || !a.Requests[0].Again {
			t.Errorf("%+v", a)
		}
		if a := o.ask(t, runsTopic, `{"id":"R-1","procedure":"wet-mass"}`); a.Accepted || !strings.Contains(a.Why, "something else") {
			t.Errorf("%+v", a)
		}
		a = o.ask(t, runsTopic, `[{"id":"R-2","procedure":"p"},{"id":"R-1","change":{"priority":1}},{"id":"R-9","cancel":"why"},{"id":"R-3","from":"other","procedure":"p"},{"id":"R-4"}]`)
		for i, why := range []string{"", "", "no request of that id", "leave from out", "procedure is empty"} {
			if one := a.Requests[i]; one.OK != (why == "") || !strings.Contains(one.Why, why) || one.Number != i+1 {
				t.Errorf("%+v, not %s", one, why)
			}
		}
		if a.Accepted || a.Why == "" || lab.did() != "took R-1, took R-2, changed R-1" {
			t.Errorf("%+v %s", a, lab.did())
		}
		lab.err = errors.New("the journal stands still")
		a = o.ask(t, runsTopic, `{"id":"R-5","procedure":"p","request":"43"}`)
		if a.Accepted || !strings.Contains(a.Why, "send it again") {
			t.Errorf("%+v", a)
		}
		lab.err = nil
		if a = o.ask(t, runsTopic, `{"id":"R-5","procedure":"p","request":"43"}`); !a.Accepted || a.Again { // not the answer from before
			t.Errorf("%+v", a)
		}
		for payload, want := range map[string]string{"\xff{": "cannot be read", `[]`: "list is empty", `{"id":"R-6","procedure":"p"} x`: "more follows",
			strings.Repeat(" ", runsSize+1): "at most 262144"} {
			if a := o.ask(t, runsTopic, payload); a.Accepted || !strings.Contains(a.Why, want) {
				t.Errorf("%.20q: %+v", payload, a)
			}
		}
		if a := o.ask(t, runsTopic, `{"id":"R-7","procedure":"p"}`, func(a *arrival) { a.retained = true }); a.Accepted || !strings.Contains(a.Why, "kept") {
			t.Errorf("%+v", a)
		}
		if lab.did() != "took R-1, took R-2, changed R-1, took R-5" {
			t.Error(lab.did())
		}
	})
}

// TestRequestsForRunsAreNotTakenUnasked: without the key the topic is nobody's.
func TestRequestsForRunsAreNotTakenUnasked(t *testing.T) {
	o := newOffice(t)
	defer o.end()
	if o.take(arrival{topic: runsTopic, payload: []byte(`{"id":"R-1","procedure":"p"}`), via: o.keep}) {
		t.Error("it is taken for a request")
	}
	c := config("mqtt://127.0.0.1:1")
	c.Runs, c.Requests = true, false
	if _, err := New(c, "lims", sinks.Env{Site: testSite}); err == nil || !strings.Contains(err.Error(), "requests_runs") {
		t.Error(err)
	}
	c.Requests = true
	if _, err := New(c, "lims", sinks.Env{Site: testSite, Contexts: o.h, Reader: o.h}); err == nil || !strings.Contains(err.Error(), "nobody who carries them out") {
		t.Error(err)
	}
}

// TestRequestsForRunsOverARealBroker, in both versions of the protocol.
func TestRequestsForRunsOverARealBroker(t *testing.T) {
	t.Parallel() // most of it is waiting
	for _, version := range []string{version3, version5} {
		broker := mosquitto.Start(t, mosquitto.Options{})
		wire := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
		h, lab := newHolder(), &askedLab{known: map[string]record.LabRequest{}}
		c := config(broker.URL())
		c.Requests, c.Runs, c.Version = true, true, version
		s, err := New(c, "lims", sinks.Env{Site: testSite, Contexts: h, Reader: h, Requests: lab, Log: slog.New(slog.NewTextHandler(testWriter{t}, nil))})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { s.Close() })
		if _, err := s.Deliver(within(t, 60*time.Second), nil); err != nil {
			t.Fatal(err)
		}
		wire.asks(runsTopic, `{"id":"R-1","procedure":"dry-mass","request":"a"}`, false)
		if a := wire.answersOn("/requests/answer", 1)[0]; !a.Accepted || a.Requests[0].ID != "R-1" || a.Requests[0].State != "waiting" {
			t.Errorf("%+v", a)
		}
		if st := wire.statuses(); !slices.ContainsFunc(st, func(s Status) bool { return s.Runs == requestsOpen }) {
			t.Errorf("%+v", st)
		}
		s.Close()
		if lab.did() != "took R-1" {
			t.Error(lab.did())
		}
	}
}
