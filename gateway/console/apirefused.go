package console

import (
	"encoding/json"
	"net"
	"net/http"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Refusals is told of acts that were not allowed. It never waits.
type Refusals interface {
	Note(what, address, why string, by record.Actor)
}

// addressOf is where a request comes from.
func addressOf(r *http.Request) string {
	if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
		return host
	}
	return r.RemoteAddr
}

// changing lets a request through that would change something, and notes it where it was refused as an act: what it is about is
// not there, its state forbids it, or whoever asks may not. A request that could not be understood is no act; and that nothing can be recorded cannot
// be recorded. A context that is refused is noted by whoever refuses it.
func (s *Server) changing(next http.Handler, w http.ResponseWriter, r *http.Request) {
	who := rights.From(r.Context())
	seen := &refusalWriter{ResponseWriter: w}
	next.ServeHTTP(seen, r)
	switch {
	case !who.Known:
	case seen.status == http.StatusNotFound, !seen.noted && (seen.status == http.StatusConflict || seen.status == http.StatusForbidden ||
		seen.status == http.StatusPreconditionFailed):
		var p problemDocument
		why := http.StatusText(seen.status)
		if json.Unmarshal(seen.body, &p) == nil && p.Title != "" {
			why = p.Title + ": " + p.Detail
		}
		s.noteRefused(r, who.Actor, why)
	}
}

// refusalWriter keeps the status of an answer, and the beginning of what it says where it is a refusal.
type refusalWriter struct {
	http.ResponseWriter
	status int
	noted  bool // whoever refused it has noted it
	body   []byte
}

// selfNoted is set on an answer by a route whose refusals are entries already. It is not sent.
const selfNoted = "Weighpost-Noted"

func (w *refusalWriter) WriteHeader(status int) {
	w.status = status
	w.noted = w.noted || w.Header().Get(selfNoted) != ""
	w.Header().Del(selfNoted)
	w.ResponseWriter.WriteHeader(status)
}

func (w *refusalWriter) Write(b []byte) (int, error) {
	if w.status >= http.StatusBadRequest && len(w.body) < 4<<10 {
		w.body = append(w.body, b...)
	}
	return w.ResponseWriter.Write(b)
}

// Unwrap lets a http.ResponseController find what is below.
func (w *refusalWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }
