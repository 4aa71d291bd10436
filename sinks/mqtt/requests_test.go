package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// holder is a stand-in for the balances b-00 to b-09: it keeps what is asked for, in order.
type holder struct {
	mu    sync.Mutex
	asked []record.ContextRequest
	by    map[string][]string // balance → samples, in order
	err   error
	slow  time.Duration
	gate  chan struct{} // nil, or what each request waits for
	busy  map[string]int
	most  int

	reads   []record.ReadRequest
	readErr error
	refused []string
}

func newHolder() *holder { return &holder{by: map[string][]string{}, busy: map[string]int{}} }

func (h *holder) SetContext(ctx context.Context, balance string, r record.ContextRequest) (record.ContextView, error) {
	if len(balance) != 4 || !strings.HasPrefix(balance, "b-0") {
		return record.ContextView{}, record.ErrNoBalance
	}
	h.mu.Lock()
	h.busy[balance]++
	h.most = max(h.most, h.busy[balance])
	gate, slow := h.gate, h.slow
	h.mu.Unlock()
	if gate != nil {
		select {
		case <-gate:
		case <-ctx.Done():
		}
	}
	time.Sleep(slow)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.busy[balance]--
	if h.err != nil {
		return record.ContextView{Balance: balance}, h.err
	}
	if ctx.Err() != nil {
		return record.ContextView{Balance: balance}, ctx.Err()
	}
	h.asked = append(h.asked, r)
	if r.Sample != nil {
		h.by[balance] = append(h.by[balance], r.Sample.ID)
	}
	return h.view(balance), nil
}

func (h *holder) view(balance string) record.ContextView {
	v := record.ContextView{Balance: balance, Items: []record.ContextHeld{}}
	if list := h.by[balance]; len(list) > 0 {
		v.Items = append(v.Items, record.ContextHeld{Name: "sample", ID: list[len(list)-1], By: record.BySent})
	}
	return v
}

func (h *holder) ContextOf(balance string) (record.ContextView, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(balance) != 4 {
		return record.ContextView{}, record.ErrNoBalance
	}
	return h.view(balance), nil
}

func (h *holder) fails(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.err = err
}

func (h *holder) requests() []record.ContextRequest {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]record.ContextRequest(nil), h.asked...)
}

// office is a desk without a broker: what it answers is kept.
type office struct {
	*desk
	h    *holder
	stop context.CancelFunc

	mu      sync.Mutex
	answers []answer
	topics  []string
}

func newOffice(t *testing.T) *office {
	ctx, cancel := context.WithCancel(context.Background())
	o := &office{h: newHolder(), stop: cancel}
	o.desk = newDesk(ctx, newTopics("weighpost", testSite), sinks.Env{Contexts: o.h, Reader: o.h}, "bench", true, slog.New(slog.DiscardHandler), o.keep)
	return o
}

func (o *office) keep(m message) error {
	topic, payload := m.topic, m.payload
	var a answer
	if err := json.Unmarshal(payload, &a); err != nil {
		return err
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.answers, o.topics = append(o.answers, a), append(o.topics, topic)
	return nil
}

func (o *office) said() []answer {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]answer(nil), o.answers...)
}

func (o *office) end() { o.stop(); o.close() }

// ask hands over one request and waits for its answer. It runs in a bubble.
func (o *office) ask(t *testing.T, topic, payload string, change ...func(*arrival)) answer {
	t.Helper()
	a := arrival{topic: topic, payload: []byte(payload), via: o.keep}
	for _, f := range change {
		f(&a)
	}
	o.mu.Lock()
	before := len(o.answers)
	o.mu.Unlock()
	if !o.take(a) {
		t.Fatalf("%s is no request", topic)
	}
	synctest.Wait()
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.answers) != before+1 {
		t.Fatalf("%s %s: %d answers", topic, payload, len(o.answers)-before)
	}
	return o.answers[before]
}

const (
	setOf    = "weighpost/" + testSite + "/b-01/context/set"
	changeOf = "weighpost/" + testSite + "/b-01/context/change"
)

func TestRequestsAreCarriedOutAndAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		a := o.ask(t, setOf, `{"sample":{"id":"LOT-1003"},"person":{"id":"p-07","for_s":60},"request":"42"}`)
		if !a.Accepted || a.Again || a.Why != "" || a.Request != "42" || a.Schema != answerSchema || a.Context.Items[0].ID != "LOT-1003" {
			t.Errorf("%+v", a)
		}
		if o.topics[0] != "weighpost/"+testSite+"/b-01/context/answer" {
			t.Errorf("answered on %s", o.topics[0])
		}
		r := o.h.requests()[0]
		if !r.Whole || r.By != record.BySent || r.Where != setOf || !r.At.Equal(time.Now()) || r.Person.For != time.Minute {
			t.Errorf("asked for %+v", r)
		}
		if a := o.ask(t, changeOf, `{"lot":null}`); !a.Accepted || o.h.requests()[1].Whole {
			t.Errorf("%+v, %+v", a, o.h.requests()[1])
		}
		if a := o.ask(t, setOf, `{"sign_out":true,"request":"43"}`); !a.Accepted || !o.h.requests()[2].SignOut {
			t.Errorf("%+v", a)
		}
		o.h.fails(&record.ContextRefused{Why: "The balance printed while this was on its way."})
		if a := o.ask(t, setOf, `{"sample":{"id":"LOT-1"},"request":"44"}`); a.Accepted || !strings.Contains(a.Why, "printed") || a.Context == nil {
			t.Errorf("%+v", a)
		}
		o.h.fails(nil) // what was refused changed nothing, and may be asked for again
		if a := o.ask(t, setOf, `{"sample":{"id":"LOT-1"},"request":"44"}`); !a.Accepted || a.Again {
			t.Errorf("%+v", a)
		}
	})
}

func TestRequestsThatAreRefusedOnTheirFace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		deep := strings.Repeat(`{"sample":`, 1000)
		for _, c := range []struct{ topic, payload, request, why string }{
			{setOf, ``, "", "has to be an object"},
			{setOf, `{"request":"7","sample":{"id":"a\u0000b"}}`, "7", "U+0000"},
			{setOf, `{"sample":{"id":"LOT-1"}}{"sample":{"id":"LOT-2"}}`, "", "more follows"},
			{setOf, `{"sample":{"id":"a"},"sample":{"id":"b"}}`, "", "is there twice"},
			{setOf, `{"sampel":{"id":"a"}}`, "", `"sampel" is unknown`},
			{setOf, `{"request":"` + strings.Repeat("x", 65) + `"}`, "", "65 characters"},
			{setOf, deep, "", "unknown"},
			{setOf, "\x00\xff\xfe", "", "has to be an object"},
			{setOf, `{"sample":{"id":"` + strings.Repeat("x", requestSize) + `"},"request":"8"}`, "", "at most 16384"},
			{"weighpost/" + testSite + "/b-99x/context/set", `{"request":"9"}`, "9", `There is no balance "b-99x" here`},
			{"weighpost/" + testSite + "/\x1b[2J/context/set", `{}`, "", "no balance"},
			{"weighpost/" + testSite + "//context/change", `{}`, "", "no balance"},
		} {
			a := o.ask(t, c.topic, c.payload)
			if a.Accepted || a.Request != c.request || !strings.Contains(a.Why, c.why) {
				t.Errorf("%.40q %.60q: %+v; want %q", c.topic, c.payload, a, c.why)
			}
		}
		for _, topic := range o.topics {
			if strings.ContainsAny(topic, "+#\x1b\x00") || strings.Contains(topic, "//") {
				t.Errorf("answered on %q", topic)
			}
		}
		if n := len(o.h.requests()); n != 0 {
			t.Errorf("%d of them were carried out", n)
		}
		for _, other := range []string{"weighpost/" + testSite + "/b-01/weighing", "weighpost/elsewhere/b-01/context/set",
			"weighpost/" + testSite + "/b-01/x/context/set", "weighpost/" + testSite + "/b-01/context/answer"} {
			if o.take(arrival{topic: other, payload: []byte(`{}`), via: o.keep}) {
				t.Errorf("%s was taken for a request", other)
			}
		}
	})
}

func TestARetainedRequestIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		a := o.ask(t, setOf, `{"sample":{"id":"LOT-1"},"request":"1"}`, func(a *arrival) { a.retained = true })
		if a.Accepted || a.Request != "1" || !strings.Contains(a.Why, "kept") || len(o.h.requests()) != 0 {
			t.Errorf("%+v", a)
		}
	})
}

func TestARequestThatComesAgainIsNotCarriedOutAgain(t *testing.T) {
	t.Parallel() // most of it is waiting
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		again := func(a *arrival) { a.duplicate = true }
		const one = `{"sample":{"id":"LOT-1"},"request":"1"}`
		first := o.ask(t, setOf, one)
		time.Sleep(5 * time.Second)
		second := o.ask(t, setOf, one)
		if !second.Accepted || !second.Again || second.Context.Items[0].ID != first.Context.Items[0].ID {
			t.Errorf("%+v, then %+v", first, second)
		}
		if a := o.ask(t, setOf, `{"sample":{"id":"LOT-2"},"request":"1"}`); a.Accepted || !strings.Contains(a.Why, `"1" stood for another request 5s ago`) {
			t.Errorf("one mark for two requests: %+v", a)
		}
		if a := o.ask(t, strings.Replace(setOf, "b-01", "b-02", 1), one); !a.Accepted || a.Again {
			t.Errorf("the same mark at another balance: %+v", a)
		}
		// Without a mark two alike can both be meant, unless the broker says that it sends one again.
		const bare = `{"sample":{"id":"LOT-3"}}`
		if a, b, c := o.ask(t, setOf, bare), o.ask(t, setOf, bare), o.ask(t, setOf, bare, again); a.Again || b.Again || !c.Again {
			t.Errorf("%+v, %+v, %+v", a, b, c)
		}
		if a := o.ask(t, setOf, `{"sample":{"id":"LOT-4"}}`, again); !a.Accepted || a.Again {
			t.Errorf("one that is sent again, and never came the first time: %+v", a)
		}
		if got := strings.Join(o.h.by["b-01"], " "); got != "LOT-1 LOT-3 LOT-3 LOT-4" {
			t.Errorf("carried out: %s", got)
		}
		// What is not known to be recorded is not asked for twice either.
		o.h.fails(errors.New("the time is up"))
		a := o.ask(t, setOf, `{"sample":{"id":"LOT-5"},"request":"5"}`)
		o.h.fails(nil)
		b := o.ask(t, setOf, `{"sample":{"id":"LOT-5"},"request":"5"}`)
		if a.Accepted || !strings.Contains(a.Why, "not known") || b.Accepted || !b.Again {
			t.Errorf("%+v, then %+v", a, b)
		}
		// It is forgotten in the end.
		time.Sleep(markAge + time.Second)
		if a := o.ask(t, setOf, one); !a.Accepted || a.Again {
			t.Errorf("after %s: %+v", markAge, a)
		}
		if n := len(o.marks.list); n != 1 {
			t.Errorf("%d marks are held", n)
		}
		for i := range 3 * markRoom {
			o.ask(t, setOf, fmt.Sprintf(`{"sample":{"id":"LOT-1"},"request":"n %d"}`, i))
		}
		if n := len(o.marks.list); n != markRoom || len(o.marks.next) != markRoom {
			t.Errorf("%d marks are held", n)
		}
	})
}

// TestABalanceThatDoesNotAnswerHoldsUpNobody: the client's own goroutine is never blocked, another balance goes on, what is
// too much is answered, and each balance's requests are carried out in order and one at a time.
func TestABalanceThatDoesNotAnswerHoldsUpNobody(t *testing.T) {
	t.Parallel() // most of it is waiting
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		o.h.gate = make(chan struct{})
		began := time.Now()
		for i := range requestRoom + 10 {
			o.take(arrival{topic: setOf, payload: fmt.Appendf(nil, `{"sample":{"id":"LOT-%d"},"request":"%d"}`, i, i), via: o.keep})
		}
		synctest.Wait()
		if len(o.said()) != 10 || time.Since(began) != 0 {
			t.Errorf("%d answers after %s", len(o.said()), time.Since(began))
		}
		for i, a := range o.said() {
			if a.Accepted || !strings.Contains(a.Why, "Too many") || a.Request != fmt.Sprint(requestRoom+i) {
				t.Errorf("%+v", a)
			}
		}
		close(o.h.gate)
		synctest.Wait()
		if a := o.ask(t, strings.Replace(setOf, "b-01", "b-02", 1), `{"sample":{"id":"LOT-x"}}`); !a.Accepted {
			t.Errorf("%+v", a)
		}
		got := o.h.by["b-01"]
		if len(got) != requestRoom || o.h.most != 1 {
			t.Fatalf("%d carried out, %d at a time", len(got), o.h.most)
		}
		for i, lot := range got {
			if lot != fmt.Sprintf("LOT-%d", i) {
				t.Fatalf("number %d is %s", i, lot)
			}
		}
		// Large ones are bounded by their bytes.
		o.h.gate = make(chan struct{})
		large := strings.Repeat(" ", requestSize-2) + "{}"
		for range requestBytes/requestSize + 1 {
			o.take(arrival{topic: setOf, payload: []byte(large), via: o.keep})
		}
		synctest.Wait()
		if a := o.said()[len(o.said())-1]; a.Accepted || !strings.Contains(a.Why, "Too many") {
			t.Errorf("%+v", a)
		}
		close(o.h.gate)
	})
}

func TestRequestsHaveATimeLimitAndAreAnsweredAtTheEnd(t *testing.T) {
	t.Parallel() // most of it is waiting
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		o.h.gate = make(chan struct{}) // never opened
		for i := range 3 {
			o.take(arrival{topic: setOf, payload: fmt.Appendf(nil, `{"request":"%d"}`, i), via: o.keep})
		}
		time.Sleep(requestLimit + time.Second)
		if len(o.said()) != 1 || o.said()[0].Accepted || !strings.Contains(o.said()[0].Why, "not known") {
			t.Errorf("%+v", o.said())
		}
		o.end()
		if len(o.said()) != 3 || !strings.Contains(o.said()[2].Why, "stopping") {
			t.Errorf("%+v", o.said())
		}
		if !o.take(arrival{topic: setOf, via: o.keep}) || len(o.said()) != 3 {
			t.Error("a request after the end")
		}
	})
}

// TestAnAnswerGoesOutOverTheConnectionThatThereIs: the one over which the request came may be gone.
func TestAnAnswerGoesOutOverTheConnectionThatThereIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		gone := func(a *arrival) { a.via = func(message) error { return errNoConnection } }
		if a := o.ask(t, setOf, `{"sample":{"id":"LOT-1"}}`, gone); !a.Accepted {
			t.Errorf("%+v", a)
		}
	})
}

func FuzzRequest(f *testing.F) {
	f.Add(setOf, []byte(`{"sample":{"id":"LOT-1"},"request":"1"}`), false)
	f.Add(changeOf, []byte(`{"fields":{"box":null}}`), true)
	f.Fuzz(func(t *testing.T, topic string, payload []byte, flag bool) {
		h, got := newHolder(), 0
		d := newDesk(context.Background(), newTopics("weighpost", testSite), sinks.Env{Contexts: h, Reader: h}, "bench", true, slog.New(slog.DiscardHandler), nil)
		took := d.take(arrival{topic: topic, payload: payload, duplicate: flag, via: func(m message) error {
			topic, payload := m.topic, m.payload
			got++
			if strings.ContainsAny(topic, "+#\x00") || !json.Valid(payload) {
				t.Errorf("%q: %q", topic, payload)
			}
			return nil
		}})
		d.close()
		if want := map[bool]int{true: 1}[took]; got != want {
			t.Errorf("%d answers to %q %q", got, topic, payload)
		}
	})
}

// TestRequestsNeedSomebodyWhoCarriesThemOut: no silent desk.
func TestRequestsNeedSomebodyWhoCarriesThemOut(t *testing.T) {
	c := config("mqtt://127.0.0.1:1")
	c.Requests = true
	if s, err := New(c, "bench", sinks.Env{Site: testSite}); err == nil {
		s.Close()
		t.Error("requests are taken and thrown away")
	}
}
