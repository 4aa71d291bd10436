package mqtt

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"strings"
	"sync"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// What others may ask for over the broker, where the configuration says so: what the next weighings of a balance are tied
// to. A request is answered always, except where its balance has a name that no answer could be published under.

const (
	lanes        = 8       // requests that are carried out at a time; those of one balance never are
	requestRoom  = 1024    // requests that may wait
	requestBytes = 4 << 20 // and their bytes
	requestSize  = 16 << 10
	requestLimit = 10 * time.Second // for one to be carried out
)

// desk takes requests in the order in which they come, and has them carried out balance by balance.
type desk struct {
	topics   topics
	contexts sinks.Contexts
	latest   publisher // the connection that there is now
	log      *slog.Logger
	marks    marks

	mu      sync.Mutex
	closed  bool
	waiting int
	bytes   int
	lanes   [lanes]chan request
	unread  chan request // only to be answered: refused on arrival
	wg      sync.WaitGroup
}

// request is one message that asks for something.
type request struct {
	topic     string
	balance   string // as the topic names it
	whole     bool
	payload   []byte
	duplicate bool
	at        time.Time
	via       publisher // the connection over which it came
	why, mark string    // refused on arrival; the mark of its sender
}

// arrival is what a desk needs to know of a message.
type arrival struct {
	topic               string
	payload             []byte
	retained, duplicate bool
	answerTo            string // MQTT 5: the topic under which an answer is wanted; "": the usual one
	correlation         []byte // MQTT 5: what the answer is to carry
	via                 publisher
}

// publisher sends an answer out, or says that it cannot.
type publisher func(message) error

func newDesk(ctx context.Context, t topics, c sinks.Contexts, log *slog.Logger, latest publisher) *desk {
	d := &desk{topics: t, contexts: c, latest: latest, log: log, marks: newMarks(), unread: make(chan request, requestRoom)}
	for i := range d.lanes {
		lane := make(chan request, requestRoom)
		d.lanes[i] = lane
		d.wg.Go(func() { d.serve(ctx, lane) })
	}
	d.wg.Go(func() { d.serve(ctx, d.unread) })
	return d
}

// close answers what waits, carrying nothing out once ctx has ended, and ends.
func (d *desk) close() {
	d.mu.Lock()
	if !d.closed {
		d.closed = true
		for _, lane := range d.lanes {
			close(lane)
		}
		close(d.unread)
	}
	d.mu.Unlock()
	d.wg.Wait()
}

// take takes a message if it is a request, and says whether it is. It never blocks: it is called by the client, between
// two acknowledgements.
func (d *desk) take(a arrival) bool {
	balance, whole, ok := d.topics.request(a.topic)
	if !ok {
		return false
	}
	r := request{topic: a.topic, balance: balance, whole: whole, payload: a.payload, duplicate: a.duplicate, at: time.Now(), via: a.via}
	switch {
	case a.retained:
		r.why = "The broker kept this message from earlier, so it may be about another weighing: requests are not to be retained. Publish an empty retained message there to take it back."
	case len(a.payload) > requestSize:
		r.why = fmt.Sprintf("The request has %d bytes: at most %d are taken.", len(a.payload), requestSize)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return true
	}
	if r.why == "" && (d.waiting >= requestRoom || d.bytes+len(r.payload) > requestBytes) {
		r.why = "Too many requests wait to be carried out: send it again in a moment."
	}
	if r.why != "" {
		asked, _ := record.ParseContextRequest(r.payload) // for its mark, if there is one
		r.mark, r.payload = asked.Request, nil
		select {
		case d.unread <- r:
		default:
			d.log.Warn("a request came over the broker and there is no room even to refuse it", "topic", printable(r.topic))
		}
		return true
	}
	d.waiting, d.bytes = d.waiting+1, d.bytes+len(r.payload)
	d.lanes[laneOf(balance)] <- r // has room for all that may wait
	return true
}

func laneOf(balance string) uint32 {
	h := fnv.New32a()
	h.Write([]byte(balance))
	return h.Sum32() % lanes
}

// serve answers the requests of one lane, one after the other.
func (d *desk) serve(ctx context.Context, lane <-chan request) {
	for r := range lane {
		d.handle(ctx, r)
		if r.why == "" {
			d.mu.Lock()
			d.waiting, d.bytes = d.waiting-1, d.bytes-len(r.payload)
			d.mu.Unlock()
		}
	}
}

// handle carries one request out, unless that was done already, and answers it.
func (d *desk) handle(ctx context.Context, r request) {
	if r.why != "" {
		d.reply(r, d.refuse(r, r.mark, r.why))
		return
	}
	asked, err := record.ParseContextRequest(r.payload)
	key := r.key(asked.Request)
	var a answer
	known := d.marks.find(key, r, asked.Request)
	switch {
	case known != nil && known.sum != r.sum():
		a = d.refuse(r, asked.Request, fmt.Sprintf("The mark %q stood for another request %s ago: give each request its own.",
			asked.Request, time.Since(known.at).Round(time.Second)))
	case known != nil:
		a = known.answer
		a.Again = true
	case err != nil:
		a = d.refuse(r, asked.Request, "The request cannot be read: "+err.Error()+".")
	case ctx.Err() != nil:
		a = d.refuse(r, asked.Request, "weighpost is stopping: nothing was changed.")
	default:
		var done bool
		if a, done = d.carryOut(ctx, r, asked); done {
			d.marks.keep(mark{key: key, at: r.at, sum: r.sum(), answer: a})
		}
	}
	d.reply(r, a)
}

func (d *desk) reply(r request, a answer) {
	if !a.Accepted {
		d.log.Info("a request that came over the broker is refused", "topic", printable(r.topic), "why", a.Why)
	}
	m := message{topic: d.topics.answer(r.balance), payload: a.encode()}
	err := r.via(m)
	if err != nil {
		err = d.latest(m)
	}
	if err != nil {
		d.log.Warn("a request that came over the broker could not be answered", "topic", printable(r.topic), "cause", err)
	}
}

// carryOut has the context changed. done says that it was, or that this is not known.
func (d *desk) carryOut(ctx context.Context, r request, asked record.ContextRequest) (a answer, done bool) {
	asked.Whole, asked.By, asked.Where, asked.At = r.whole, record.BySent, r.topic, r.at
	ctx, cancel := context.WithTimeout(ctx, requestLimit)
	defer cancel()
	view, err := d.contexts.SetContext(ctx, r.balance, asked)
	a = answer{Request: asked.Request, Accepted: err == nil, Context: &view}
	if err == nil {
		return a, true
	}
	var refused *record.ContextRefused
	switch {
	case errors.Is(err, record.ErrNoBalance):
		a.Why, a.Context = noBalance(r.balance), nil
	case errors.As(err, &refused):
		a.Why = refused.Why
	default:
		a.Why = "It is not known whether the change is recorded: " + err.Error() + "."
		done = true
	}
	return a, done
}

// refuse makes the answer to a request that reaches no balance.
func (d *desk) refuse(r request, mark, why string) answer {
	a := answer{Request: mark, Why: why}
	if view, err := d.contexts.ContextOf(r.balance); err == nil {
		a.Context = &view
	}
	return a
}

func noBalance(id string) string { return fmt.Sprintf("There is no balance %q here.", id) }

// request tells a topic that requests come under: the balance, and whether all of its context is to be replaced.
func (t topics) request(topic string) (balance string, whole, ok bool) {
	rest, ok := strings.CutPrefix(topic, t.base+"/")
	if !ok {
		return "", false, false
	}
	if balance, ok = strings.CutSuffix(rest, "/context/set"); ok {
		whole = true
	} else if balance, ok = strings.CutSuffix(rest, "/context/change"); !ok {
		return "", false, false
	}
	return balance, whole, !strings.Contains(balance, "/")
}

// requests are the topic filters under which requests come.
func (t topics) requests() []string {
	return []string{t.base + "/+/context/set", t.base + "/+/context/change"}
}

// answer is the topic of the answers to requests that came for a balance. An id is one level of a topic already; another
// name, which is no balance of ours, is made one.
func (t topics) answer(balance string) string {
	return t.base + "/" + level(balance) + "/context/answer"
}

// printable is a topic as it may stand in a log.
func printable(topic string) string { return show(topic) }
