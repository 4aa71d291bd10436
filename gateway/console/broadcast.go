package console

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"
	"strconv"
	"sync"
	"time"

	"weighpost/gateway/live"
	"weighpost/gateway/record"
)

const (
	streamRoom = 1024                   // readings that may wait for the broadcast before it loses some
	flushEvery = 100 * time.Millisecond // how often pages are given readings: the latest of each balance
	stateEvery = time.Second

	// A page that takes nothing is dropped once more waits for it, beyond what its connection holds: so many messages, or so many
	// bytes and four states. It comes again by itself and is given the whole state first.
	viewerRoom  = 64
	viewerBytes = 512 << 10

	framesKept = 16  // of one balance, within flushEvery
	frameBytes = 256 // of one frame
)

// broadcast gives everybody who looks at the same balances the same bytes: what balances sent is written as JSON once, however
// many look. The first viewer starts it and the last one ends it, so that nothing turns while nobody looks. Who does not take what
// is sent loses the connection, and neither the balances nor anybody else waits. The zero value with its functions is ready.
type broadcast struct {
	live  Stream
	parts func() (*stateParts, error)
	fail  func(error) // is told why there is no state

	mu sync.Mutex
	on *airing // nil while nobody looks
}

// airing is one span of time in which somebody looks. Its fields below are guarded by the broadcast's lock.
type airing struct {
	of   *broadcast
	end  context.CancelFunc
	done chan struct{}

	viewers int
	groups  map[string]*group
}

// group is everybody who looks at the same balances.
type group struct {
	view    view
	viewers map[*viewer]struct{}

	from  *stateParts // what state was made of
	state []byte
}

// viewer is one page that looks.
type viewer struct {
	messages chan []byte   // whole events, shared with others: never written to
	dropped  chan struct{} // closed when too much waits

	waiting int // bytes in messages, guarded by the broadcast's lock
	airing  *airing
	group   *group
}

// view is what a page looks at.
type view struct {
	balances []string // sorted, none twice; nil: all
	frames   bool     // and the bytes that the one balance sends
}

func (v view) key() string {
	b, _ := json.Marshal(v.balances)
	return strconv.FormatBool(v.frames) + string(b)
}

// has says whether a balance is looked at.
func (v view) has(balance string) bool {
	if v.balances == nil {
		return true
	}
	_, found := slices.BinarySearch(v.balances, balance)
	return found
}

// join begins a view and gives the whole state, as an event; what comes after it follows in the viewer's messages. leave ends it.
func (b *broadcast) join(ctx context.Context, look view) (*viewer, []byte, error) {
	v := b.enter(ctx, look)
	parts, err := b.parts() // after the view began: a reading in between is sent, whether it is in the state or not
	if err != nil {
		b.leave(v)
		return nil, nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	return v, v.group.stateOf(parts), nil
}

// enter puts a viewer among those who look at the same balances.
func (b *broadcast) enter(ctx context.Context, look view) *viewer {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.on == nil {
		b.start(context.WithoutCancel(ctx))
	}
	a := b.on
	key := look.key()
	g := a.groups[key]
	if g == nil {
		g = &group{view: look, viewers: map[*viewer]struct{}{}}
		a.groups[key] = g
	}
	v := &viewer{messages: make(chan []byte, viewerRoom), dropped: make(chan struct{}), airing: a, group: g}
	g.viewers[v] = struct{}{}
	a.viewers++
	return v
}

// start begins an airing, which the last viewer ends. The lock is held.
func (b *broadcast) start(ctx context.Context) {
	ctx, cancel := context.WithCancel(ctx)
	b.on = &airing{of: b, end: cancel, done: make(chan struct{}), groups: map[string]*group{}}
	go b.on.run(ctx, b.live.Watch(streamRoom))
}

// leave ends a view. The last one waits for the end of what ran for all.
func (b *broadcast) leave(v *viewer) {
	b.mu.Lock()
	a := v.airing
	a.remove(v)
	a.viewers--
	last := a.viewers == 0
	if last {
		b.on = nil // whoever comes now begins anew
	}
	b.mu.Unlock()
	if last {
		a.end()
		<-a.done
	}
}

// remove takes a viewer out of its group. The lock is held.
func (a *airing) remove(v *viewer) {
	delete(v.group.viewers, v)
	if key := v.group.view.key(); len(v.group.viewers) == 0 && a.groups[key] == v.group {
		delete(a.groups, key)
	}
}

// took says that a viewer has taken a message.
func (b *broadcast) took(v *viewer, message []byte) {
	b.mu.Lock()
	v.waiting -= len(message)
	b.mu.Unlock()
}

// run is the broadcast itself, until ctx ends.
func (a *airing) run(ctx context.Context, sub *live.Subscription) {
	defer close(a.done)
	defer sub.Close()
	flush, state := time.NewTicker(flushEvery), time.NewTicker(stateEvery)
	defer flush.Stop()
	defer state.Stop()
	var latest batch
	for {
		select {
		case <-ctx.Done():
			return
		case l := <-sub.C:
			if l.Answer != nil {
				a.answer(l)
			} else {
				latest.add(l)
			}
		case <-flush.C:
			a.flush(&latest)
		case <-state.C:
			a.tellState()
		}
	}
}

// answer passes what became of a print on at once.
func (a *airing) answer(l record.Live) {
	data, err := json.Marshal(l.Answer)
	if err != nil {
		a.of.fail(err)
		return
	}
	message := eventOf("answer", data)
	a.of.mu.Lock()
	defer a.of.mu.Unlock()
	for _, g := range a.groups {
		if g.view.has(l.Balance) {
			a.give(g, message)
		}
	}
}

// flush sends what has gathered.
func (a *airing) flush(latest *batch) {
	if len(latest.seen)+len(latest.recorded) == 0 {
		return
	}
	list, err := latest.encoded()
	if err != nil {
		a.of.fail(err)
	}
	a.of.mu.Lock()
	for _, g := range a.groups {
		if message := g.readings(list); message != nil {
			a.give(g, message)
		}
		if g.view.frames {
			a.giveFrames(g, latest)
		}
	}
	a.of.mu.Unlock()
	latest.clear()
}

// tellState sends everything.
func (a *airing) tellState() {
	parts, err := a.of.parts() // without the lock: it asks others
	if err != nil {
		a.of.fail(err)
		return
	}
	a.of.mu.Lock()
	defer a.of.mu.Unlock()
	for _, g := range a.groups {
		a.give(g, g.stateOf(parts))
	}
}

// give sends a message to a group, and drops whoever does not take what is sent. The lock is held.
func (a *airing) give(g *group, message []byte) {
	for v := range g.viewers {
		if v.waiting > viewerBytes+4*len(g.state) {
			a.drop(v)
			continue
		}
		select {
		case v.messages <- message:
			v.waiting += len(message)
		default:
			a.drop(v)
		}
	}
}

// drop has a viewer's stream end. It is given nothing more. The lock is held.
func (a *airing) drop(v *viewer) {
	close(v.dropped)
	a.remove(v)
}

// stateOf is the event that tells everything. The lock is held.
func (g *group) stateOf(parts *stateParts) []byte {
	if g.from != parts {
		g.from, g.state = parts, eventOf("state", parts.of(g.view))
	}
	return g.state
}

// readings is the event with those readings that a group looks at; nil: there are none.
func (g *group) readings(list []encoded) []byte {
	var b bytes.Buffer
	for _, e := range list {
		if !g.view.has(e.balance) {
			continue
		}
		if b.Len() == 0 {
			b.WriteString("event: readings\ndata: [")
		} else {
			b.WriteByte(',')
		}
		b.Write(e.json)
	}
	if b.Len() == 0 {
		return nil
	}
	b.WriteString("]\n\n")
	return b.Bytes()
}

// Sent is what the event "bytes" tells of one balance: what it sent of late, as it came.
type Sent struct {
	Balance string      `json:"balance"`
	Frames  []SentFrame `json:"frames"`
	LeftOut int         `json:"left_out,omitempty"` // frames in between that are not shown
}

// SentFrame is one frame as received.
type SentFrame struct {
	UTC    record.UTC `json:"utc"`
	Bytes  []byte     `json:"bytes"`            // the first 256
	Unread string     `json:"unread,omitempty"` // why, for a frame that was refused
}

// giveFrames sends the bytes that came from the one balance that a group looks at. The lock is held.
func (a *airing) giveFrames(g *group, latest *batch) {
	sent := latest.frames[g.view.balances[0]]
	if sent == nil {
		return
	}
	if data, err := json.Marshal(sent); err == nil {
		a.give(g, eventOf("bytes", data))
	}
}

// encoded is a reading as JSON.
type encoded struct {
	balance string
	json    []byte
}

// batch holds the latest reading, and the latest recorded one, of each balance since the last flush, and the frames behind them.
type batch struct {
	seen, recorded map[string]record.Live
	frames         map[string]*Sent
}

func (b *batch) add(r record.Live) {
	if b.seen == nil {
		b.seen, b.recorded, b.frames = make(map[string]record.Live), make(map[string]record.Live), make(map[string]*Sent)
	}
	if r.Recorded != "" {
		b.recorded[r.Balance] = r
		return
	}
	b.seen[r.Balance] = r
	if len(r.Frame) > 0 {
		b.addFrame(r)
	}
}

func (b *batch) addFrame(r record.Live) {
	s := b.frames[r.Balance]
	if s == nil {
		s = &Sent{Balance: r.Balance}
		b.frames[r.Balance] = s
	}
	if len(s.Frames) == framesKept {
		s.Frames = slices.Delete(s.Frames, 0, 1)
		s.LeftOut++
	}
	s.Frames = append(s.Frames, SentFrame{r.UTC, r.Frame[:min(len(r.Frame), frameBytes)], r.Unread})
}

// encoded writes each reading as JSON, those of a balance in the order in which they became known.
func (b *batch) encoded() (list []encoded, err error) {
	for _, from := range []map[string]record.Live{b.seen, b.recorded} {
		for _, r := range from {
			data, failed := json.Marshal(r)
			if failed != nil {
				err = failed
				continue
			}
			list = append(list, encoded{r.Balance, data})
		}
	}
	return list, err
}

func (b *batch) clear() {
	clear(b.seen)
	clear(b.recorded)
	clear(b.frames)
}

// eventOf writes an event of a stream. data is JSON on one line.
func eventOf(name string, data []byte) []byte {
	b := make([]byte, 0, len(name)+len(data)+len("event: \ndata: \n\n"))
	b = append(append(b, "event: "...), name...)
	b = append(append(b, "\ndata: "...), data...)
	return append(b, "\n\n"...)
}
