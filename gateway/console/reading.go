package console

import (
	"net/http"
	"time"
)

// NewReading makes a console that only shows: the pages of deps and /healthz. It has no API and no accounts, and takes no request that would
// change something. It is for loopback, where whoever is at this computer may read (see visitor): there is no way to sign in.
func NewReading(deps Deps) *Server {
	s := &Server{deps: deps, started: time.Now(), crowd: newCrowd(connectionLimit)}
	list := []otherRoute{{"/healthz", Everybody, http.HandlerFunc(s.serveHealth), false}}
	for _, p := range deps.Screens {
		list = append(list, otherRoute{p.Pattern, p.Right, p.Handler, p.Page})
	}
	s.handler = s.guard(s.identified(s.routes(list)), http.HandlerFunc(refuseAPI))
	return s
}

// refuseAPI answers programs that look for the API of a gateway.
func refuseAPI(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		problem(w, http.StatusMethodNotAllowed, "Nothing can be changed here", "This page only shows what gateways have recorded. Ask the gateway where it was recorded.")
		return
	}
	problem(w, http.StatusNotFound, "There is no API here", "Programs read the archive's tables in PostgreSQL, or ask a gateway.")
}
