package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.golang/paho"

	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// Read answers for the balances b-00 to b-09.
func (h *holder) Read(ctx context.Context, balance string, r record.ReadRequest) (record.ReadAnswer, error) {
	if len(balance) != 4 || !strings.HasPrefix(balance, "b-0") {
		return record.ReadAnswer{}, record.ErrNoBalance
	}
	h.mu.Lock()
	gate := h.gate
	h.mu.Unlock()
	if gate != nil {
		select {
		case <-gate:
		case <-ctx.Done():
			return record.ReadAnswer{}, ctx.Err()
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.readErr != nil {
		return record.ReadAnswer{}, h.readErr
	}
	h.reads = append(h.reads, r)
	a := record.ReadAnswer{Balance: balance, Value: record.Value{Digits: "12.3450", Unit: "g"}}
	if r.Record {
		a.Recorded = "seed/1/" + balance + "/000001"
	}
	return a, nil
}

func (h *holder) Refused(what, sink, where, why string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.refused = append(h.refused, strings.Join([]string{what, sink, where, why}, "|"))
}

const readOf = "weighpost/" + testSite + "/b-01/read/ask"

func TestAWeightIsAskedForOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		const one = `{"record":true,"wait_s":10,"request":"42"}`
		a := o.ask(t, readOf, one)
		if !a.Accepted || a.Again || a.Request != "42" || a.Schema != readAnswerSchema || a.Read.Value.Digits != "12.3450" || a.Read.Recorded == "" || a.Context != nil {
			t.Errorf("%+v", a)
		}
		if o.topics[0] != "weighpost/"+testSite+"/b-01/read/answer" {
			t.Errorf("answered on %s", o.topics[0])
		}
		if r := o.h.reads[0]; !r.Record || r.Wait != 10*time.Second || r.Where != readOf || r.Mark == "" || strings.Contains(r.Mark, "42") {
			t.Errorf("%+v", r)
		}
		if a := o.ask(t, readOf, one); !a.Accepted || !a.Again || a.Read.Recorded == "" || len(o.h.reads) != 1 {
			t.Errorf("%+v after %d", a, len(o.h.reads))
		}
		if a := o.ask(t, setOf, `{"sample":{"id":"LOT-1"},"request":"42"}`); a.Accepted || !strings.Contains(a.Why, "stood for another") {
			t.Errorf("%+v", a)
		}
		if a := o.ask(t, readOf, one, func(a *arrival) { a.duplicate = true }); !a.Again || len(o.h.reads) != 1 {
			t.Errorf("%+v", a)
		}
		if a := o.ask(t, readOf, ""); !a.Accepted || a.Read.Recorded != "" || o.h.reads[1].Record || o.h.reads[1].Mark != "" {
			t.Errorf("%+v, %+v", a, o.h.reads[1])
		}
	})
}

func TestAWeightThatIsNotToBeHad(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		for _, c := range []struct {
			err     error
			why     string
			noted   int
			unknown bool
		}{
			{&record.AskRefused{Why: "8 requests wait for balance b-01 already."}, "8 requests wait", 1, false},
			{&record.NoAnswer{Why: "Balance b-01 has not answered."}, "has not answered", 0, false},
			{&record.ContextRefused{Why: "Balance b-01 is not read yet."}, "not read yet", 0, false},
			{record.ErrUnrecorded, "not known whether a weighing is recorded", 0, true},
		} {
			o.h.readErr, o.h.refused = c.err, nil
			const payload = `{"record":true,"request":"7"}`
			a := o.ask(t, readOf, payload)
			if a.Accepted || a.Read != nil || a.Request != "7" || !strings.Contains(a.Why, c.why) || len(o.h.refused) != c.noted {
				t.Errorf("%v: %+v, noted %v", c.err, a, o.h.refused)
			}
			o.h.readErr = nil
			if a := o.ask(t, readOf, payload); a.Accepted == c.unknown || a.Again != c.unknown {
				t.Errorf("%v, then again: %+v", c.err, a)
			}
			o.marks = newMarks()
		}
		for _, c := range []struct{ topic, payload, why string }{
			{strings.Replace(readOf, "b-01", "b-77x", 1), `{"record":true}`, `There is no balance "b-77x" here`},
			{readOf, `{"wait_s":61}`, "wait_s is above 60"},
			{readOf, `{"recrod":true}`, `"recrod" is unknown`},
			{readOf, `{"record":true}{}`, "more follows"},
			{readOf, "\xff", "has to be an object"},
		} {
			if a := o.ask(t, c.topic, c.payload); a.Accepted || !strings.Contains(a.Why, c.why) {
				t.Errorf("%s: %+v", c.payload, a)
			}
		}
	})
}

func TestNothingIsRecordedUnlessTheConfigurationSaysSo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		o.records = false
		if a := o.ask(t, readOf, `{"record":true}`); a.Accepted || !strings.Contains(a.Why, "requests_record") || len(o.h.reads) != 0 {
			t.Errorf("%+v", a)
		}
		want := "a recorded weight of balance b-01|bench|" + readOf + "|"
		if len(o.h.refused) != 1 || !strings.HasPrefix(o.h.refused[0], want) {
			t.Errorf("noted %q", o.h.refused)
		}
		if a := o.ask(t, readOf, `{"record":false}`); !a.Accepted {
			t.Errorf("%+v", a)
		}
	})
}

// TestABalanceThatIsSlowToAnswerHoldsUpItselfAlone: others are read and changed meanwhile, its own requests keep their order, and
// more than a few for its weight are refused at once.
func TestABalanceThatIsSlowToAnswerHoldsUpItselfAlone(t *testing.T) {
	t.Parallel() // most of it is waiting
	synctest.Test(t, func(t *testing.T) {
		o := newOffice(t)
		defer o.end()
		gate := make(chan struct{})
		o.h.gate = gate
		for range readRoom + 1 {
			o.take(arrival{topic: readOf, via: o.keep})
		}
		o.take(arrival{topic: setOf, payload: []byte(`{"sample":{"id":"LOT-2"}}`), via: o.keep})
		synctest.Wait()
		if list := o.said(); len(list) != 1 || list[0].Accepted || !strings.Contains(list[0].Why, "wait for balance b-01 already") {
			t.Errorf("%+v", list)
		}
		o.h.mu.Lock()
		o.h.gate = nil
		o.h.mu.Unlock()
		for i := '2'; i <= '9'; i++ {
			if a := o.ask(t, strings.Replace(setOf, "b-01", "b-0"+string(i), 1), `{}`); !a.Accepted {
				t.Errorf("%+v", a)
			}
		}
		if len(o.h.by["b-01"]) != 0 {
			t.Error("the change went before the weights that were asked for first")
		}
		close(gate)
		synctest.Wait()
		if n := len(o.said()); n != 1+8+readRoom+1 || len(o.h.by["b-01"]) != 1 || len(o.queues) != 0 || o.waiting != 0 {
			t.Errorf("%d answers, %v, %d queues, %d wait", n, o.h.by, len(o.queues), o.waiting)
		}
	})
}

func TestTopicsThatNoAnswerGoesTo(t *testing.T) {
	list := newTopics("lab/weighpost", testSite)
	for topic, refused := range map[string]bool{"lims/answers/7": false, "lab/lims": false, "lab/weighposts/x": false, "": false,
		"a/+/b": true, "a/#": true, "$SYS/x": true, "$share/a/b": true, "lab/weighpost/other/b-01/weighing": true, "lab/weighpost": true,
		"a\x00b": true, "a\x1bb": true, "\xff": true, strings.Repeat("x", backTopicSize+1): true, strings.Repeat("/", backLevels): true} {
		b, why := list.back(arrival{answerTo: topic, correlation: []byte("c")})
		if (why != "") != refused || refused && b.topic != "" || !refused && b.topic != topic {
			t.Errorf("%q: %q %q", topic, b.topic, why)
		}
	}
	if _, why := list.back(arrival{correlation: make([]byte, correlationSize+1)}); why == "" {
		t.Error("any correlation data is taken")
	}
}

func TestAWeightOverARealBroker(t *testing.T) { each(t, testAWeightOverARealBroker) }

func testAWeightOverARealBroker(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	lab := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	h := newHolder()
	c := config(broker.URL())
	c.Records = true
	openDesk(t, c, h)
	lab.asks(balanceTopic(1, "read/ask"), `{"record":true,"request":"a"}`, false)
	if a := lab.answersOn("/read/answer", 1)[0]; !a.Accepted || a.Read == nil || a.Read.Recorded == "" {
		t.Errorf("%+v", a)
	}
	lab.asks(balanceTopic(1, "read/ask"), `{"record":true,"request":"a"}`, false)
	if a := lab.answersOn("/read/answer", 2)[1]; !a.Accepted || !a.Again {
		t.Errorf("%+v", a)
	}
	h.mu.Lock()
	h.readErr = errors.New("the line broke")
	h.mu.Unlock()
	lab.asks(balanceTopic(1, "read/ask"), `{}`, false)
	if a := lab.answersOn("/read/answer", 3)[2]; a.Accepted || !strings.Contains(a.Why, "the line broke") {
		t.Errorf("%+v", a)
	}
	if st := lab.statuses(); st[len(st)-1].Reads != requestsOpen {
		t.Errorf("%+v", st)
	}
}

// TestAnswersGoToTheResponseTopic: of MQTT 5, asked for and heard by another library.
func TestAnswersGoToTheResponseTopic(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := hear5(t, broker.Addr(), "lims/answers")
	usual := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	h := newHolder()
	c := config(broker.URL())
	c.Version = version5
	openDesk(t, c, h)
	ask := func(end, to, payload string) {
		t.Helper()
		p := &paho.Publish{Topic: balanceTopic(1, end), QoS: 1, Payload: []byte(payload),
			Properties: &paho.PublishProperties{ResponseTopic: to, CorrelationData: []byte{0, 0xff, 7}}}
		if _, err := far.client.Publish(within(t, 60*time.Second), p); err != nil {
			t.Fatal(err)
		}
	}
	ask("read/ask", "lims/answers", `{"request":"r"}`)
	ask("context/set", "lims/answers", `{"sample":{"id":"LOT-1"},"request":"s"}`)
	eventually(t, 60*time.Second, "two answers", func() bool { return len(far.all()) == 2 })
	for i, p := range far.all() {
		var a answer
		if err := json.Unmarshal(p.Payload, &a); err != nil || !a.Accepted || a.Request != []string{"r", "s"}[i] {
			t.Errorf("%s: %v", p.Payload, err)
		}
		if string(p.Properties.CorrelationData) != "\x00\xff\x07" || p.Properties.ContentType != "application/json" || p.Retain {
			t.Errorf("%+v", p.Properties)
		}
	}
	usual.answersOn("/read/answer", 1)
	usual.answers(1)
	ask("read/ask", "weighpost/"+testSite+"/b-01/weighing", `{"request":"x"}`)
	if a := usual.answersOn("/read/answer", 2)[1]; a.Accepted || a.Request != "x" || !strings.Contains(a.Why, "response topic") || len(h.reads) != 1 {
		t.Errorf("%+v", a)
	}
	if list := usual.messages("/b-01/weighing"); len(list) != 0 {
		t.Errorf("%s was published as a weighing", list[0].Payload())
	}
}
