package console

import (
	"encoding/json"
	"net/http"
	"runtime/pprof"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/rights"
)

// otherRoute is a route that is none of the API's.
type otherRoute struct {
	pattern string
	right   rights.Right
	handler http.Handler
	page    bool // people look at it
}

// otherRoutes are all that there is beside the API, each with the right that it needs.
func (s *Server) otherRoutes() []otherRoute {
	list := make([]otherRoute, 0, len(s.deps.Screens)+6)
	for _, p := range s.deps.Screens {
		list = append(list, otherRoute{p.Pattern, p.Right, p.Handler, p.Page})
	}
	return append(list,
		otherRoute{"/live", rights.See, http.HandlerFunc(s.serveLive), false},
		otherRoute{"/healthz", Everybody, http.HandlerFunc(s.serveHealth), false},
		otherRoute{"/readyz", rights.See, http.HandlerFunc(s.serveReady), false},
		otherRoute{backPath, Everybody, http.HandlerFunc(s.comeBack), false},
		otherRoute{toProviderPath, rights.ReadJournal, http.HandlerFunc(s.toProvider), true},
		otherRoute{"/metrics", rights.Measurements, s.metrics(), false},
		otherRoute{"/goroutines", rights.Measurements, http.HandlerFunc(s.serveGoroutines), false})
}

// routes puts the routes beside the API together. One without a right is a mistake.
func (s *Server) routes(list []otherRoute) http.Handler {
	mux := http.NewServeMux()
	for _, o := range list {
		if o.right != Everybody && !slices.Contains(rights.All(), o.right) {
			panic("console: " + o.pattern + " names no right: give it one in otherRoutes")
		}
		mux.HandleFunc(o.pattern, func(w http.ResponseWriter, r *http.Request) {
			s.screen(w, r, Screen{o.pattern, o.right, o.handler, o.page})
		})
	}
	return s.notFound(mux)
}

const signInPath = "/sign-in"

// notFound adds the answer for every address that has no other. Whoever would change something there is told no more than that
// nobody knows them.
func (s *Server) notFound(mux *http.ServeMux) *http.ServeMux {
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		if s.strangerChanges(w, r) {
			return
		}
		if s.deps.TurnedAway != nil && strings.Contains(r.Header.Get("Accept"), "text/html") && !strings.HasPrefix(r.URL.Path, "/api/") {
			s.deps.TurnedAway(w, r, http.StatusNotFound, "There is nothing at this address", "It may have been written down wrongly, or what was there has another name by now.")
			return
		}
		problem(w, http.StatusNotFound, "There is nothing at this address", "The page is at /, what programs can ask at "+apiPrefix+"openapi.json.")
	})
	return mux
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		problem(w, http.StatusInternalServerError, "The answer cannot be written", err.Error())
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(append(b, '\n'))
}

// serveGoroutines says where in the program each goroutine is, for whoever mends it: functions and lines, and nothing of the data.
func (s *Server) serveGoroutines(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_ = pprof.Lookup("goroutine").WriteTo(w, 1) // whoever asked has gone
}

func (s *Server) serveHealth(w http.ResponseWriter, _ *http.Request) {
	writeJSON(w, http.StatusOK, struct {
		Alive       bool             `json:"alive"`
		Version     string           `json:"version"`
		Seconds     int64            `json:"up_s"`
		Certificate *pageCertificate `json:"certificate,omitempty"`
	}{true, s.deps.Version, int64(time.Since(s.started).Seconds()), s.certificate()})
}

func (s *Server) serveReady(w http.ResponseWriter, _ *http.Request) {
	list, recording := s.conditions()
	status := http.StatusOK
	if !recording {
		status = http.StatusServiceUnavailable
	}
	writeJSON(w, status, struct {
		Ready      bool               `json:"ready"`
		Conditions []health.Condition `json:"conditions"`
	}{recording, list})
}
