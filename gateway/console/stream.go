package console

import (
	"net/http"
	"slices"
	"time"

	"weighpost/gateway/rights"
)

const (
	beatEvery = 15 * time.Second // a comment, so that a dead connection is noticed
	writeTime = 5 * time.Second  // a browser that takes nothing for so long is dropped
)

// serveLive is the stream behind pages. It sends
//
//	state     everything, at first and about once a second
//	readings  the latest reading of each balance that sent one, at most ten times a second; those in between are not sent
//	answer    what became of a print, at once (record.Answer)
//	bytes     what one balance sent, as it came (Sent)
//
// With balance, which may be given more than once, readings, answers and the balances of the state are those of these balances
// only; with bytes=yes and one balance, its bytes too. A page that does not take what is sent is dropped: it comes again by
// itself, and has the whole state first.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) {
	look, ok := s.viewOf(w, r)
	if !ok {
		return
	}
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "10")
		problem(w, http.StatusServiceUnavailable, "Too many pages are open", "Close a page that nobody looks at.")
		return
	}
	if r.Method == http.MethodHead {
		w.Header().Set("Content-Type", "text/event-stream")
		return
	}
	v, first, err := s.broadcast.join(r.Context(), look)
	if err != nil {
		s.broadcast.fail(err)
		problem(w, http.StatusInternalServerError, "The state cannot be shown", "The log says why.")
		return
	}
	defer s.broadcast.leave(v)
	w.Header().Set("Content-Type", "text/event-stream")
	if e := (events{out: http.NewResponseController(w), w: w}); e.write(first) {
		s.pass(r, v, &e)
	}
}

// viewOf is what a request wants to look at. It answers one that cannot be.
func (s *Server) viewOf(w http.ResponseWriter, r *http.Request) (look view, ok bool) {
	query := r.URL.Query()
	if query.Has("balance") {
		look.balances = slices.Clone(query["balance"])
		slices.Sort(look.balances)
		look.balances = slices.Compact(look.balances)
		known := s.deps.Source.Balances()
		for _, id := range look.balances {
			if !slices.ContainsFunc(known, func(b Balance) bool { return b.ID == id }) {
				problem(w, http.StatusNotFound, "There is no balance of this id", "See "+apiPrefix+"balances for those that there are.")
				return look, false
			}
		}
	}
	switch bytes := query.Get("bytes"); {
	case bytes == "":
	case bytes != "yes" || len(look.balances) != 1:
		problem(w, http.StatusUnprocessableEntity, "Bytes are shown of one balance at a time", "Ask with bytes=yes and one balance.")
		return look, false
	default:
		look.frames = true
	}
	return look, true
}

// pass sends a viewer what is meant for it, until it goes, takes nothing, or may not look any more.
func (s *Server) pass(r *http.Request, v *viewer, e *events) {
	judge, beat := time.NewTicker(checkEvery), time.NewTicker(beatEvery)
	defer judge.Stop()
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-v.dropped:
			return
		case message := <-v.messages:
			s.broadcast.took(v, message)
			if !e.write(message) {
				return
			}
		case <-judge.C:
			if !s.still(r, rights.See) {
				return // whoever looks has signed out, or may not look any more
			}
		case <-beat.C:
			if !e.write([]byte(": still here\n\n")) {
				return
			}
		}
	}
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
func (e *events) send(name string, data []byte) bool { return e.write(eventOf(name, data)) }

func (e *events) write(b []byte) bool {
	if e.out.SetWriteDeadline(time.Now().Add(writeTime)) != nil {
		return false
	}
	if _, err := e.w.Write(b); err != nil {
		return false
	}
	return e.out.Flush() == nil
}
