// Package console answers over HTTP for a running daemon: it serves the pages that it is given, the stream behind them, what machines
// ask of it (liveness, readiness and metrics), and the API.
//
//	GET /live     the stream behind pages, as Server-Sent Events; with ?balance= of some balances only
//	GET /healthz  200 while the process lives
//	GET /readyz   200 while recording works, 503 with the conditions while it does not
//	GET /metrics  Prometheus
//	/api/v1/…     what programs ask and change; it describes itself at /api/v1/openapi.json
//
// Every route names the right that it needs, and whoever sends a request is found out once: by a program's key or the host's token,
// by the cookie of somebody who signed in at /sign-in, or else as a visitor. All of it answers to its own names only, on loopback
// unless there is TLS, and refuses every request that another site's page makes; what it refuses is a problem document (RFC 9457).
// It owns no facts and makes no pages: it takes what it says from small interfaces, and pages as Screens, and a slow or stuck browser is dropped without delaying anybody.
package console

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/live"
	"weighpost/gateway/once"
)

// Limits against slow and many clients.
const (
	headerLimit     = 16 << 10 // bytes of a request's header
	connectionLimit = 512      // 200 pages that are looked at, what programs follow, and room for requests; each is one open file
	streamLimit     = 256      // pages that are looked at
	followLimit     = 64       // streams of the API
	headerTime      = 5 * time.Second
	requestTime     = 10 * time.Second
	idleTime        = 60 * time.Second
	stopTime        = 3 * time.Second
)

// Source gives the facts that the page shows. Its methods are called from any goroutine and must not block.
type Source interface {
	Balances() []Balance // in the order of the configuration
	Sinks() []Sink
	Journal() Journal
	TimeFacts() Clock
}

// Conditions lists what is wrong now.
type Conditions interface{ List() []health.Condition }

// Stream gives views of the continuous stream.
type Stream interface {
	Watch(room int) *live.Subscription
}

// Deps is what the console needs from the rest of the daemon.
type Deps struct {
	Site    string
	Version string
	Source  Source
	// Configuration says how the configuration that holds came to; nil: nothing is said of it. As Source, it must not block.
	Configuration func() Configuration
	Conditions    Conditions
	Contexts      Contexts
	Scans         Scans   // nil: no scans are taken
	Benches       Benches // nil: no labels are known, and no steps are taken
	Samples       Samples // nil: none are known
	Reader        Reader
	Ports         Ports // nil: none can be tried at once
	Commander     Commander
	Corrector     ClockCorrector
	Sealer        Sealer // nil: no entries are sealed
	Keys          KeyChanger
	Refusals      Refusals // nil: nobody is told
	Exports       Exports  // nil: there are none
	Bundles       Bundles  // likewise
	Statistics    Statistics
	Entries       Entries
	Evidence      Evidence     // nil: nothing is proved, and nothing said of deliveries of one entry
	Follow        Follower     // nil: there are no streams of the journal
	Once          *once.Memory // nil: no request can have a key
	Acts          Acts
	Backups       Backups
	Settings      Settings   // nil: they are not shown
	Setup         Setup      // nil: balances are added on the host
	Deliveries    Deliveries // nil: nothing can be done about sinks
	Fitness       Fitness    // nil: balances are not checked
	Kept          KeptFiles  // nil: no files are kept beside the journal
	// Of procedures; nil: there are none of them.
	Procedures Procedures
	Runs       Runs
	Reviews    Reviews
	Requests   LabRequests
	Containers Containers
	Slips      Slips
	Reports    Reports // nil: none are made
	// Environment keeps what instruments show of the air; nil: nobody can send it.
	Environment Environment
	// SettingsSections names the parts of the settings.
	SettingsSections []string
	// SettingsSchema, LayoutSchema and ProcedureSchema are the JSON Schemas of the configuration, of a layout and of a procedure.
	SettingsSchema, LayoutSchema []byte
	ProcedureSchema              []byte
	Token                        Token  // the host's; the zero value: there is none
	Access                       Access // nil: nobody has an account, and only the host's token is known
	Page                         Config
	Certificate                  Certificate // nil: plain HTTP
	Screens                      []Screen    // pages for people, and what they are made of
	TurnedAway                   TurnedAway  // nil: with a problem document, as programs are
	CameBack                     CameBack    // nil: in few words
	Live                         Stream
	Log                          *slog.Logger
}

// Server is the console.
type Server struct {
	deps    Deps
	started time.Time
	streams chan struct{} // one token for each open stream
	exports chan struct{} // and for each export
	// followers has one for each open stream of the API.
	followers chan struct{}
	state     stateCache
	broadcast broadcast
	attempts  attempts
	badges    attempts // that nobody has
	crowd     *crowd
	handler   http.Handler
}

// New makes a console. It opens nothing.
func New(deps Deps) *Server {
	s := &Server{deps: deps, started: time.Now(), streams: make(chan struct{}, streamLimit), exports: make(chan struct{}, exportLimit), followers: make(chan struct{}, followLimit)}
	s.crowd = newCrowd(connectionLimit)
	s.broadcast.live, s.broadcast.parts = deps.Live, s.stateParts
	s.broadcast.fail = func(err error) { deps.Log.Error("what pages show cannot be written", "err", err) }
	s.badges.what = "a badge that nobody has was shown to sign in"
	api := http.NewServeMux()
	s.newAPI(api)
	s.handler = s.guard(s.identified(s.routes(s.otherRoutes())), s.identified(s.guardAPI(s.notFound(api))))
	return s
}

// Listen opens the address of the configuration. The caller hands the listener to Serve, or closes it.
func Listen(ctx context.Context, cfg Config) (net.Listener, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", cfg.address())
	if err != nil {
		return nil, fmt.Errorf("the page cannot listen on %s, so set another address under page, listen: %w", cfg.address(), err)
	}
	return l, nil
}

// Serve answers on l until ctx ends, then ends the open streams, finishes the other requests within three seconds, and
// closes l.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	l = s.secured(crowded{l, s.crowd})
	srv := &http.Server{
		Handler:           s.crowd.answering(s.handler),
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: headerTime,
		ReadTimeout:       requestTime,
		WriteTimeout:      requestTime,
		IdleTimeout:       idleTime,
		MaxHeaderBytes:    headerLimit,
		ErrorLog:          slog.NewLogLogger(s.deps.Log.Handler(), slog.LevelDebug),
	}
	stopped := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(stopped)
		limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
		defer cancel()
		if srv.Shutdown(limit) != nil {
			srv.Close()
		}
	})
	err := srv.Serve(l)
	if stop() { // ctx has not ended: the listener failed
		srv.Close()
		return fmt.Errorf("the page on %s stopped: %w", l.Addr(), err)
	}
	<-stopped
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}
