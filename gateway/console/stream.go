package console

import (
	"encoding/json"
	"net/http"
	"slices"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	streamRoom = 1024                   // readings that a page may be behind before it loses some
	flushEvery = 100 * time.Millisecond // how often a page is given readings: the latest of each balance
	stateEvery = time.Second
	beatEvery  = 15 * time.Second // a comment, so that a dead connection is noticed
	writeTime  = 5 * time.Second  // a browser that takes nothing for so long is dropped
)

// serveLive is the stream behind the page: an event "state" with everything at first and about once a second while it
// changes, and events "readings" with the latest reading of each balance that sent one. Readings in between are not sent.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "10")
		problem(w, http.StatusServiceUnavailable, "Too many pages are open", "Close a page that nobody looks at.")
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	if r.Method == http.MethodHead {
		return
	}
	e := events{out: http.NewResponseController(w), w: w}
	sub := s.deps.Live.Watch(streamRoom)
	defer sub.Close()
	flush, beat := time.NewTicker(flushEvery), time.NewTicker(beatEvery)
	defer flush.Stop()
	defer beat.Stop()

	var latest batch
	var sent []byte
	var stateAt time.Time
	for {
		if now := time.Now(); now.Sub(stateAt) >= stateEvery {
			stateAt = now
			if !s.still(r, rights.See) {
				return // whoever looks has signed out, or may not look any more
			}
			b, err := s.stateJSON()
			if err != nil {
				s.deps.Log.Error("the page's state cannot be written", "err", err)
				return
			}
			if !slices.Equal(b, sent) && !e.send("state", b) {
				return
			}
			sent = b
		}
		select {
		case <-r.Context().Done():
			return
		case reading := <-sub.C:
			latest.add(reading)
		case <-flush.C:
			if !latest.flush(&e) {
				return
			}
		case <-beat.C:
			if !e.write([]byte(": still here\n\n")) {
				return
			}
		}
	}
}

// batch holds the latest reading, and the latest recorded one, of each balance since the last flush.
type batch struct {
	seen, recorded map[string]record.Live
}

func (b *batch) add(r record.Live) {
	if r.Answer != nil {
		return // an answer is no reading
	}
	if b.seen == nil {
		b.seen, b.recorded = make(map[string]record.Live), make(map[string]record.Live)
	}
	if r.Recorded != "" {
		b.recorded[r.Balance] = r
	} else {
		b.seen[r.Balance] = r
	}
}

// flush sends what has gathered. It is false when the client has gone.
func (b *batch) flush(e *events) bool {
	if len(b.seen)+len(b.recorded) == 0 {
		return true
	}
	list := make([]record.Live, 0, len(b.seen)+len(b.recorded))
	for _, r := range b.seen {
		list = append(list, r)
	}
	for _, r := range b.recorded {
		list = append(list, r)
	}
	clear(b.seen)
	clear(b.recorded)
	data, err := json.Marshal(list)
	return err == nil && e.send("readings", data)
}

// events writes Server-Sent Events to one client, each within a time limit.
type events struct {
	w   http.ResponseWriter
	out *http.ResponseController
	buf []byte

	still  func() error // why whoever follows may no longer; nil: that is not looked at
	looked time.Time
}

// send writes one event. data is JSON on one line.
func (e *events) send(name string, data []byte) bool {
	e.buf = append(e.buf[:0], "event: "...)
	e.buf = append(e.buf, name...)
	e.buf = append(e.buf, "\ndata: "...)
	e.buf = append(e.buf, data...)
	e.buf = append(e.buf, "\n\n"...)
	return e.write(e.buf)
}

func (e *events) write(b []byte) bool {
	if e.out.SetWriteDeadline(time.Now().Add(writeTime)) != nil {
		return false
	}
	if _, err := e.w.Write(b); err != nil {
		return false
	}
	return e.out.Flush() == nil
}
