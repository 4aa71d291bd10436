package console

import (
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Everybody stands in the place of a right for what needs none: to be alive, to sign in, and the page's own files.
const Everybody rights.Right = "everybody"

const rightKey = "right" // in the metadata of an operation

// needs says which right a route of the API needs. A route without one is a mistake that New does not let pass.
func needs(op huma.Operation, right rights.Right) huma.Operation {
	if op.Metadata == nil {
		op.Metadata = map[string]any{}
	}
	op.Metadata[rightKey] = right
	return op
}

const orKey = "or" // likewise

// needsOne is as needs, where one of several rights is enough to come in. Which of them an act then needs its handler judges.
func needsOne(op huma.Operation, first rights.Right, others ...rights.Right) huma.Operation {
	op = needs(op, first)
	op.Metadata[orKey] = others
	return op
}

// otherRights are those that let somebody in to a route too.
func otherRights(op *huma.Operation) []rights.Right {
	others, _ := op.Metadata[orKey].([]rights.Right)
	return others
}

// oneOf is the right by which somebody comes in to a route: its own, or one of the others where they have that alone.
func oneOf(op *huma.Operation, right rights.Right, who rights.Who) rights.Right {
	if who.May(right) == nil {
		return right
	}
	for _, other := range otherRights(op) {
		if who.May(other) == nil {
			return other
		}
	}
	return right
}

// rightOf is the right that a route of the API needs; false: it says none.
func rightOf(op *huma.Operation) (rights.Right, bool) {
	right, _ := op.Metadata[rightKey].(rights.Right)
	return right, right == Everybody || slices.Contains(rights.All(), right)
}

// admit lets through to every route of the API whoever has its right, with a body in a form and a size that it can take. The
// right goes before everything else: without it nothing is learnt.
func (s *Server) admit(ctx huma.Context, next func(huma.Context)) {
	r, w := humago.Unwrap(ctx)
	right, named := rightOf(ctx.Operation())
	if !named { // New has seen to it that there is none
		problem(w, http.StatusInternalServerError, "Nobody may do this", "The route names no right.")
		return
	}
	right = oneOf(ctx.Operation(), right, rights.From(r.Context()))
	looks := slices.Contains(safeMethods, r.Method)
	if !s.forged(w, r) && s.may(w, r, right) && (looks || s.mayThere(w, r, right, ctx) && s.body(w, r, formOf(ctx.Operation(), r.Method))) {
		next(withBody{ctx})
	}
}

// withBody is a request whose body has been read. The API library would set a time by which it has to be, and that would go on to
// hold for the connection: whoever waits longer for the answer would be taken for gone.
type withBody struct{ inner }

type inner = interface{ huma.Context } // by another name than that of one of its methods

func (withBody) SetReadDeadline(time.Time) error { return nil }

// Unwrap is how the library finds what is below.
func (c withBody) Unwrap() huma.Context { return c.inner }

// body takes the body in. As long as it has not come, its connection is one that waits.
func (s *Server) body(w http.ResponseWriter, r *http.Request, form bodyForm) bool {
	s.crowd.set(r, false)
	defer s.crowd.set(r, true)
	return takeBody(w, r, form)
}

// may answers a request of somebody who has not the right.
func (s *Server) may(w http.ResponseWriter, r *http.Request, right rights.Right) bool {
	who, show := rights.From(r.Context()), shownOf(r.Context())
	err := who.May(right)
	switch {
	case right == Everybody:
		return true
	case show.wrong != "" || err != nil && !who.Known:
		s.unknown(w, r, show)
		return false
	case err != nil:
		s.denied(w, r, err)
		return false
	}
	return true
}

// mayThere answers what would change something at a balance that whoever sends it is not let to.
func (s *Server) mayThere(w http.ResponseWriter, r *http.Request, right rights.Right, ctx huma.Context) bool {
	if !strings.HasPrefix(ctx.Operation().Path, apiPrefix+"balances/{id}") {
		return true
	}
	err := rights.From(r.Context()).MayAt(right, ctx.Param("id"))
	if err != nil {
		s.denied(w, r, err)
	}
	return err == nil
}

// denied answers somebody who is known and may not.
func (s *Server) denied(w http.ResponseWriter, r *http.Request, err error) {
	s.noteDenied(w, r, err.Error())
	problem(w, http.StatusForbidden, notAllowed, sentence(err.Error()))
}

// notAllowed is the title of every answer to somebody who is known and has not the right.
const notAllowed = "You may not do that"

// noteDenied has it recorded, once.
func (s *Server) noteDenied(w http.ResponseWriter, r *http.Request, why string) {
	s.noteRefused(r, rights.From(r.Context()).Actor, why)
	if seen, ok := w.(*refusalWriter); ok {
		seen.noted = true
	}
}

// still says whether whoever sent a request may still do what was right when it came: for answers that last.
func (s *Server) still(r *http.Request, right rights.Right) bool {
	who, show := s.identify(r)
	return show.wrong == "" && who.May(right) == nil
}

// strangerChanges answers whoever is not known and would change something where there is no route for it.
func (s *Server) strangerChanges(w http.ResponseWriter, r *http.Request) bool {
	stranger := !rights.From(r.Context()).Known && slices.Contains(changingMethods, r.Method)
	if stranger {
		s.unknown(w, r, shownOf(r.Context()))
	}
	return stranger
}

// unknown answers whoever would have to be known. What was shown and is wrong, and what would have changed something, is counted.
func (s *Server) unknown(w http.ResponseWriter, r *http.Request, show shown) {
	challenge, why := `Bearer realm="weighpost"`, "it shows no token"
	if show.wrong != "" {
		why = show.wrong
		if _, named := bearer(r); named {
			challenge += `, error="invalid_token"` // RFC 6750, section 3.1
		}
	}
	w.Header().Set("WWW-Authenticate", challenge)
	wait := time.Duration(0)
	if show.wrong != "" || !slices.Contains(safeMethods, r.Method) {
		s.noteRefused(r, rights.From(r.Context()).Actor, why)
		wait = s.attempts.wrong(addressOf(r), s.deps.Log)
	}
	switch {
	case !s.deps.Token.set && s.deps.Access == nil:
		problem(w, http.StatusUnauthorized, "Nothing can be changed", "There is no token that could be right: see the conditions at /readyz.")
	case wait > 0:
		w.Header().Set("Retry-After", strconv.Itoa(1+int(wait/time.Second)))
		problem(w, http.StatusTooManyRequests, "Too many requests without the right token", "Put the right token in, and try again then.")
	default:
		problem(w, http.StatusUnauthorized, "The token is missing or wrong",
			"Sign in at the page, or send the header Authorization: Bearer TOKEN with a key, or with what is in the token file "+
				"(page, token_file in the configuration).")
	}
}

// waysIn are the ways to show who one is, for the description.
func (s *Server) waysIn() map[string]*huma.SecurityScheme {
	ways := map[string]*huma.SecurityScheme{"token": {Type: "http", Scheme: "bearer", Description: "A program's key, or the token of the host's file."}}
	if s.deps.Access != nil {
		ways["session"] = &huma.SecurityScheme{Type: "apiKey", In: "cookie", Name: tlsCookie, Description: "The session of a person who signed in at " + sessionPath +
			". Without TLS, which there is on the daemon's own computer alone, the cookie is weighpost-PORT, with the page's port. What changes something needs the header " +
			pageMark + ": " + pageMarks + " beside it."}
	}
	return ways
}

// describeRights writes into the description of every route which right it needs, and how it can be refused for want of it.
func (s *Server) describeRights(doc *huma.OpenAPI) {
	failure := doc.Components.Schemas.Schema(reflect.TypeFor[problemDocument](), true, "")
	for path, item := range doc.Paths {
		for _, op := range []*huma.Operation{item.Get, item.Put, item.Post, item.Patch, item.Delete, item.Head, item.Options, item.Trace} {
			if op == nil {
				continue
			}
			right, named := rightOf(op)
			if !named {
				panic("console: " + op.Method + " " + path + " names no right: register it with needs")
			}
			if op.Extensions == nil {
				op.Extensions = map[string]any{}
			}
			op.Extensions["x-right"] = right
			if others := otherRights(op); len(others) > 0 {
				op.Extensions["x-right-or"] = others
			}
			if right == Everybody {
				continue
			}
			op.Security = []map[string][]string{{"token": {}}}
			if s.deps.Access != nil {
				op.Security = append(op.Security, map[string][]string{"session": {}})
			}
			if visitor(true, "").Rights.Has(right) {
				op.Security = append(op.Security, map[string][]string{}) // as far as the configuration says so
			}
			for _, status := range []int{http.StatusUnauthorized, http.StatusForbidden, http.StatusTooManyRequests} {
				if code := strconv.Itoa(status); op.Responses[code] == nil {
					op.Responses[code] = &huma.Response{Description: http.StatusText(status),
						Content: map[string]*huma.MediaType{"application/problem+json": {Schema: failure}}}
				}
			}
		}
	}
}

// noteRefused has an act that was not allowed recorded.
func (s *Server) noteRefused(r *http.Request, by record.Actor, why string) {
	if s.deps.Refusals != nil {
		s.deps.Refusals.Note(r.Method+" "+r.URL.Path, addressOf(r), why, by)
	}
}
