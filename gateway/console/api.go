package console

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"sync"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Contexts sets and shows what a balance's next weighings are tied to.
type Contexts interface {
	// SetContext returns once the act is in the journal. The error is record.ErrNoBalance, a *record.ContextRefused, or that
	// of ctx.
	SetContext(ctx context.Context, balance string, r record.ContextRequest) (record.ContextView, error)
	ContextOf(balance string) (record.ContextView, error)
}

// problemDocument is what an error says (RFC 9457, section 3.1).
type problemDocument struct {
	Type   string `json:"type" doc:"about:blank: the status says what kind of problem it is. urn:weighpost:problem:… where a program has to tell it from others of the same status." example:"about:blank"`
	Title  string `json:"title" doc:"What is wrong, in a few words."`
	Status int    `json:"status" doc:"The status of the answer."`
	Detail string `json:"detail" doc:"A sentence for whoever sent the request: what was wrong with it, or what to do."`
}

func (p *problemDocument) Error() string             { return p.Title + ": " + p.Detail }
func (p *problemDocument) GetStatus() int            { return p.Status }
func (p *problemDocument) ContentType(string) string { return "application/problem+json" }

// ownErrors has huma answer in the one form that everything here has.
var ownErrors = sync.OnceFunc(func() {
	huma.NewError = func(status int, message string, errs ...error) huma.StatusError {
		return &problemDocument{"about:blank", http.StatusText(status), status, saidWrong(message, errs)}
	}
})

// saidWrong says what is wrong and where. What was sent is not repeated: it may be a secret.
func saidWrong(message string, errs []error) string {
	var where []string
	for _, err := range errs {
		if d, ok := err.(*huma.ErrorDetail); ok && d.Location != "" && len(where) < 5 {
			where = append(where, fmt.Sprintf("%.80s: %.200s", d.Location, d.Message))
		}
	}
	if where == nil {
		return sentence(message)
	}
	return sentence(message + ": " + strings.Join(where, "; "))
}

// newAPI adds the routes of the API to mux, with their description in OpenAPI.
func (s *Server) newAPI(mux *http.ServeMux) huma.API {
	ownErrors()
	cfg := huma.DefaultConfig("weighpost", "1")
	cfg.Info.Description = "What the balances of one weighpost show, what their next weighings are tied to, and how to ask them for a weight; and the backups of its journal. " +
		"Every route says in x-right which right it needs. People sign in, programs show a key, and whoever has the token of the file that the " +
		"configuration names at page, token_file, may do everything. On the daemon's own computer looking needs nothing, unless the configuration says otherwise. " +
		"Errors are problem documents (RFC 9457). " +
		"The path names the version. Within v1 changes are additive only: routes, optional parameters, members of answers, kinds of entry, events and problem types " +
		"may be added, and a program ignores what it does not know; nothing is removed, renamed, made required or given another meaning. A v2 would " +
		"leave v1 for two years at least; a route that is to go says so before, with the headers Deprecation (RFC 9745) and Sunset (RFC 8594)."
	cfg.OpenAPIPath = strings.TrimSuffix(apiPrefix, "/") + "/openapi"
	cfg.DocsPath, cfg.SchemasPath, cfg.CreateHooks = "", "", nil
	cfg.Components.SecuritySchemes = s.waysIn()
	cfg.Components.Schemas = huma.NewMapRegistry("#/components/schemas/", schemaName)
	cfg.Components.Schemas.RegisterTypeAlias(reflect.TypeFor[record.Span](), reflect.TypeFor[float64]())
	cfg.Components.Schemas.RegisterTypeAlias(reflect.TypeFor[record.UTC](), reflect.TypeFor[timeText]())
	api := humago.New(mux, cfg)
	api.UseMiddleware(s.admit, s.once)
	s.balanceRoutes(api)
	s.portRoute(api)
	s.contextRoutes(api)
	s.scanRoute(api)
	s.benchRoutes(api)
	s.sampleRoutes(api)
	s.askRoutes(api)
	s.backupRoutes(api)
	s.clockRoute(api)
	s.exportRoute(api)
	s.bundleRoute(api)
	s.statisticsRoutes(api)
	s.timeRoutes(api)
	s.entryRoutes(api)
	s.proofRoute(api)
	s.weighingRoutes(api)
	s.streamRoutes(api)
	s.nextRoute(api)
	s.sealRoute(api)
	s.keyRoutes(api)
	s.sessionRoutes(api)
	s.openIDRoute(api)
	s.peopleRoutes(api)
	s.rightsRoutes(api)
	s.settingsRoutes(api)
	s.setupRoutes(api)
	s.deliveryRoutes(api)
	s.fitnessRoutes(api)
	s.reportRoutes(api)
	s.procedureRoutes(api)
	s.runRoutes(api)
	s.environmentRoutes(api)
	s.reviewRoutes(api)
	s.containerRoutes(api)
	s.slipRoutes(api)
	s.paperRoutes(api)
	s.labRequestRoutes(api)
	describeOnce(api.OpenAPI())
	s.describeRights(api.OpenAPI())
	s.answerOtherMethods(mux, api)
	return api
}

// schemaName names a type in the description: a balance as it was when an entry was made is another thing than a balance as it is now.
func schemaName(t reflect.Type, hint string) string {
	if t == reflect.TypeFor[record.Balance]() || t == reflect.TypeFor[*record.Balance]() {
		return "BalanceRecorded"
	}
	return huma.DefaultSchemaNamer(t, hint)
}

// timeText stands for record.UTC in the description: a text with the form of RFC 3339.
type timeText string

// Schema says what a record.UTC looks like.
func (timeText) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeString, Format: "date-time", Examples: []any{"2026-11-25T10:04:05.123456Z"}}
}

// answerOtherMethods answers what a route does not have: OPTIONS with what there is, anything else with a refusal.
func (s *Server) answerOtherMethods(mux *http.ServeMux, api huma.API) {
	for path, item := range api.OpenAPI().Paths {
		allow := []string{http.MethodGet, http.MethodHead, http.MethodOptions}
		for method, op := range map[string]*huma.Operation{http.MethodPut: item.Put, http.MethodPatch: item.Patch,
			http.MethodPost: item.Post, http.MethodDelete: item.Delete} {
			if op != nil {
				allow = append(allow, method)
			}
		}
		slices.Sort(allow)
		other := func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Allow", strings.Join(allow, ", "))
			if r.Method == http.MethodOptions {
				if slices.Contains(allow, http.MethodPatch) {
					w.Header().Set("Accept-Patch", strings.Join(bodyTypes[http.MethodPatch], ", "))
				}
				w.WriteHeader(http.StatusNoContent)
				return
			}
			if s.strangerChanges(w, r) {
				return
			}
			problem(w, http.StatusMethodNotAllowed, "That cannot be done here", "What can be: "+strings.Join(allow, ", ")+".")
		}
		// Each by its own name: a pattern without a method would stand in the way of a GET with a wildcard in the same place.
		for _, method := range append([]string{http.MethodGet, http.MethodOptions}, changingMethods...) {
			if method == http.MethodGet && item.Get == nil || method != http.MethodGet && !slices.Contains(allow, method) || method == http.MethodOptions {
				mux.HandleFunc(method+" "+path, other)
			}
		}
	}
}

// BalanceID names the balance that a request is about.
type BalanceID struct {
	ID string `path:"id" doc:"Id of the balance, as configured." example:"b-12"`
}

type balancesAnswer struct {
	Body struct {
		Balances []Balance `json:"balances" nullable:"false"`
	}
}

type balanceAnswer struct{ Body Balance }

func (s *Server) balanceRoutes(api huma.API) {
	huma.Register(api, needs(huma.Operation{
		OperationID: "list-balances", Method: http.MethodGet, Path: apiPrefix + "balances",
		Summary: "All balances, with what they show now", Tags: []string{"balances"},
	}, rights.See), func(context.Context, *struct{}) (*balancesAnswer, error) {
		answer := &balancesAnswer{}
		answer.Body.Balances = append([]Balance{}, s.deps.Source.Balances()...)
		return answer, nil
	})
	huma.Register(api, needs(huma.Operation{
		OperationID: "get-balance", Method: http.MethodGet, Path: apiPrefix + "balances/{id}",
		Summary: "One balance, with what it shows now", Tags: []string{"balances"}, Errors: []int{http.StatusNotFound},
	}, rights.See), func(_ context.Context, in *BalanceID) (*balanceAnswer, error) {
		for _, b := range s.deps.Source.Balances() {
			if b.ID == in.ID {
				return &balanceAnswer{b}, nil
			}
		}
		return nil, s.noBalance()
	})
}

type clockAnswer struct{ Body Clock }

func (s *Server) clockRoute(api huma.API) {
	huma.Register(api, needs(huma.Operation{
		OperationID: "get-clock", Method: http.MethodGet, Path: apiPrefix + "clock",
		Summary: "The clock behind the stamps, with its time servers", Tags: []string{"clock"},
	}, rights.See), func(context.Context, *struct{}) (*clockAnswer, error) {
		return &clockAnswer{s.deps.Source.TimeFacts()}, nil
	})
}

// noBalance says that there is no balance of that id, and which there are.
func (s *Server) noBalance() error {
	known := make(map[string]bool)
	for _, b := range s.deps.Source.Balances() {
		known[b.ID] = true
	}
	ids := slices.Sorted(maps.Keys(known))
	if len(ids) > 20 {
		ids = append(ids[:20], "…")
	}
	return &problemDocument{"about:blank", "There is no such balance", http.StatusNotFound, "There are: " + strings.Join(ids, ", ") + "."}
}

// unrecorded says why nothing that is done to a balance could be recorded now, or "".
func (s *Server) unrecorded(balance string) string {
	for _, c := range s.deps.Conditions.List() {
		if StopsBalance(c, balance) {
			return c.Sentence
		}
	}
	return ""
}
