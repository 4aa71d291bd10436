package mqtt

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// What others may ask for over the broker, where the configuration says so: what the next weighings of a balance are tied
// to, and the weight that it shows (reads.go). A request is answered always, except where its balance has a name that no answer
// could be published under.

const (
	changesAtOnce = 8  // balances whose context is changed at a time
	readsAtOnce   = 64 // balances that are asked for their weight at a time

	requestRoom  = 1024    // requests that may wait
	requestBytes = 4 << 20 // and their bytes
	requestSize  = 16 << 10
	requestLimit = 10 * time.Second // for one to be carried out
)

// desk takes requests in the order in which they come, and has them carried out balance by balance: those of one balance one
// after the other, so that a weight that is asked for after a change of the context goes with it.
type desk struct {
	topics   topics
	contexts sinks.Contexts
	reader   sinks.Reader
	asks     sinks.LabRequests // nil: no requests for runs are taken
	sink     string            // its id
	records  bool              // a weight may be asked for that is recorded
	latest   publisher         // the connection that there is now
	log      *slog.Logger
	marks    marks
	ctx      context.Context // of the sink: nothing is carried out once it has ended

	changes, reads chan struct{} // held while one of them is carried out

	mu      sync.Mutex
	closed  bool
	waiting int
	bytes   int
	queues  map[string]*queue // by balance, as topics name it; those that somebody serves
	unread  chan request      // only to be answered: refused on arrival
	wg      sync.WaitGroup
}

// queue is what waits for one balance.
type queue struct {
	list  []request
	reads int // of them, and of what is being carried out
}

// request is one message that asks for something.
type request struct {
	topic     string
	balance   string // as the topic names it
	act       act
	payload   []byte
	duplicate bool
	at        time.Time
	via       publisher // the connection over which it came
	back      back      // where else the answer is wanted
	why, mark string    // refused on arrival; the mark of its sender
}

// act is what a topic asks for.
type act int

const (
	actChange act = iota // of some of the context
	actSet               // of all of it
	actRead              // the weight
	actRuns              // runs of procedures
)

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

func newDesk(ctx context.Context, t topics, env sinks.Env, sink string, records bool, log *slog.Logger, latest publisher) *desk {
	d := &desk{topics: t, contexts: env.Contexts, reader: env.Reader, asks: env.Requests, sink: sink, records: records, latest: latest, log: log, marks: newMarks(),
		changes: make(chan struct{}, changesAtOnce), reads: make(chan struct{}, readsAtOnce),
		queues: make(map[string]*queue), unread: make(chan request, requestRoom), ctx: ctx}
	d.wg.Go(func() {
		for r := range d.unread {
			d.reply(r, d.refuse(r, r.mark, r.why))
		}
	})
	return d
}

// close answers what waits, carrying nothing out once ctx has ended, and ends.
func (d *desk) close() {
	d.mu.Lock()
	if !d.closed {
		d.closed = true
		close(d.unread)
	}
	d.mu.Unlock()
	d.wg.Wait()
}

// take takes a message if it is a request, and says whether it is. It never blocks: it is called by the client, between
// two acknowledgements.
func (d *desk) take(a arrival) bool {
	balance, what, ok := d.topics.request(a.topic)
	if !ok || what == actRuns && d.asks == nil {
		return false
	}
	r := request{topic: a.topic, balance: balance, act: what, payload: a.payload, duplicate: a.duplicate, at: time.Now(), via: a.via}
	switch {
	case a.retained:
		r.why = "The broker kept this message from earlier, so it may be about another weighing: requests are not to be retained. Publish an empty retained message there to take it back."
	case len(a.payload) > what.size():
		r.why = fmt.Sprintf("The request has %d bytes: at most %d are taken.", len(a.payload), what.size())
	default:
		r.back, r.why = d.topics.back(a)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return true
	}
	if r.why == "" {
		r.why = d.full(r)
	}
	if r.why != "" {
		r.mark, r.payload = r.markOf(), nil
		select {
		case d.unread <- r:
		default:
			d.log.Warn("a request came over the broker and there is no room even to refuse it", "topic", printable(r.topic))
		}
		return true
	}
	r.payload = bytes.Clone(r.payload) // what it was cut from may be far larger
	d.enqueue(r)
	return true
}

// full says why there is no room for a request, or "". The caller holds the lock.
func (d *desk) full(r request) string {
	switch q := d.queues[r.balance]; {
	case d.waiting >= requestRoom || d.bytes+len(r.payload) > requestBytes:
		return "Too many requests wait to be carried out: send it again in a moment."
	case r.act == actRead && q != nil && q.reads >= readRoom:
		return fmt.Sprintf("%d requests for its weight wait for balance %s already: send it again when they are answered.", q.reads, r.balance)
	}
	return ""
}

// enqueue has a request carried out after those of its balance that came before. The caller holds the lock.
func (d *desk) enqueue(r request) {
	d.waiting, d.bytes = d.waiting+1, d.bytes+len(r.payload)
	q := d.queues[r.balance]
	if q == nil {
		q = &queue{}
		d.queues[r.balance] = q
		d.wg.Go(func() { d.serve(r.balance, q) })
	}
	q.list = append(q.list, r)
	if r.act == actRead {
		q.reads++
	}
}

// serve answers the requests of one balance, one after the other, until none waits.
func (d *desk) serve(balance string, q *queue) {
	for {
		d.mu.Lock()
		if len(q.list) == 0 {
			delete(d.queues, balance)
			d.mu.Unlock()
			return
		}
		r := q.list[0]
		q.list[0] = request{}
		q.list = q.list[1:]
		d.mu.Unlock()

		d.inTurn(r)

		d.mu.Lock()
		d.waiting, d.bytes = d.waiting-1, d.bytes-len(r.payload)
		if r.act == actRead {
			q.reads--
		}
		d.mu.Unlock()
	}
}

// inTurn waits until not too many others are being carried out.
func (d *desk) inTurn(r request) {
	places := d.changes
	if r.act == actRead {
		places = d.reads
	}
	places <- struct{}{}
	defer func() { <-places }()
	d.handle(d.ctx, r)
}

// handle carries one request out, unless that was done already, and answers it.
func (d *desk) handle(ctx context.Context, r request) {
	asked, err := r.parse()
	key := r.key(asked.mark)
	var a answer
	known := d.marks.find(key, r, asked.mark)
	switch {
	case known != nil && known.sum != r.sum():
		a = d.refuse(r, asked.mark, fmt.Sprintf("The mark %q stood for another request %s ago: give each request its own.",
			asked.mark, time.Since(known.at).Round(time.Second)))
	case known != nil:
		a = known.answer
		a.Again = true
	case err != nil:
		a = d.refuse(r, asked.mark, "The request cannot be read: "+err.Error()+".")
	case ctx.Err() != nil:
		a = d.refuse(r, asked.mark, "weighpost is stopping: "+r.act.nothingDone()+".")
	default:
		var done bool
		if a, done = d.carryOut(ctx, r, asked); done {
			d.marks.keep(mark{key: key, at: r.at, sum: r.sum(), answer: a})
		}
	}
	d.reply(r, a)
}

// asked is what a request says.
type asked struct {
	mark    string
	context record.ContextRequest
	read    record.ReadRequest
}

// parse reads a request. After an error its mark counts still, where it could be read.
func (r request) parse() (a asked, err error) {
	switch r.act {
	case actRead:
		a.read, a.mark, err = record.ParseSentReadRequest(r.payload)
		return a, err
	case actRuns:
		return parseRuns(r.payload)
	}
	a.context, err = record.ParseContextRequest(r.payload)
	a.mark = a.context.Request
	return a, err
}

// markOf is the mark of the sender, if there is one that can be read.
func (r request) markOf() string {
	a, _ := r.parse()
	return a.mark
}

func (d *desk) carryOut(ctx context.Context, r request, asked asked) (a answer, done bool) {
	switch r.act {
	case actRead:
		return d.read(ctx, r, asked)
	case actRuns:
		return d.order(ctx, r, asked)
	}
	return d.change(ctx, r, asked.context)
}

// reply publishes an answer where all can hear it, and where its asker wants it.
func (d *desk) reply(r request, a answer) {
	if !a.Accepted {
		d.log.Info("a request that came over the broker is refused", "topic", printable(r.topic), "why", a.Why)
	}
	body := a.encode(r.act)
	list := []message{{topic: d.topics.answer(r.balance, r.act), payload: body}}
	if r.back.topic != "" {
		list = append(list, message{topic: r.back.topic, payload: body, properties: r.back.properties()})
	}
	for _, m := range list {
		err := r.via(m)
		if err != nil {
			err = d.latest(m)
		}
		if err != nil {
			d.log.Warn("a request that came over the broker could not be answered", "topic", printable(r.topic), "to", printable(m.topic), "cause", err)
		}
	}
}

// change has the context changed. done says that it was, or that this is not known.
func (d *desk) change(ctx context.Context, r request, asked record.ContextRequest) (a answer, done bool) {
	asked.Whole, asked.By, asked.Where, asked.At = r.act == actSet, record.BySent, r.topic, r.at
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
	if r.act == actRead || r.act == actRuns {
		return a
	}
	if view, err := d.contexts.ContextOf(r.balance); err == nil {
		a.Context = &view
	}
	return a
}

func noBalance(id string) string { return fmt.Sprintf("There is no balance %q here.", id) }

// endings of the topics under which requests come.
var endings = map[act]string{actSet: "/context/set", actChange: "/context/change", actRead: "/read/ask"}

// request tells a topic that requests come under: the balance, and what is asked for.
func (t topics) request(topic string) (balance string, what act, ok bool) {
	rest, ok := strings.CutPrefix(topic, t.base+"/")
	if !ok {
		return "", 0, false
	}
	if rest == nobody+runsSet {
		return nobody, actRuns, true
	}
	for what, end := range endings {
		if balance, ok := strings.CutSuffix(rest, end); ok {
			return balance, what, !strings.Contains(balance, "/")
		}
	}
	return "", 0, false
}

// requests are the topic filters under which requests for the context come.
func (t topics) requests() []string {
	return []string{t.base + "/+" + endings[actSet], t.base + "/+" + endings[actChange]}
}

// readRequests are the topic filters under which requests for a weight come.
func (t topics) readRequests() []string { return []string{t.base + "/+" + endings[actRead]} }

// answer is the topic of the answers to requests that came for a balance. An id is one level of a topic already; another
// name, which is no balance of ours, is made one.
func (t topics) answer(balance string, what act) string {
	switch what {
	case actRead:
		return t.base + "/" + level(balance) + "/read/answer"
	case actRuns:
		return t.base + "/" + nobody + "/requests/answer"
	}
	return t.base + "/" + level(balance) + "/context/answer"
}

// printable is a topic as it may stand in a log.
func printable(topic string) string { return show(topic) }
