package console

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

// bodyLimit is how many bytes a request may carry.
const bodyLimit = 16 << 10

const apiPrefix = "/api/v1/"

var (
	safeMethods     = []string{http.MethodGet, http.MethodHead, http.MethodOptions}
	changingMethods = []string{http.MethodPut, http.MethodPatch, http.MethodPost, http.MethodDelete}
	// bodyTypes are the media types that a method takes; a method that is not here takes no body.
	bodyTypes = map[string][]string{
		http.MethodPut:   {"application/json"},
		http.MethodPost:  {"application/json"},
		http.MethodPatch: {"application/merge-patch+json", "application/json"}, // RFC 7396
	}
)

// byNote says in the description who a by may name.
const byNote = "Needed with the host's token. A person or a program acts under its own name: left out, or that."

// refusals are the statuses with which a route that changes something and its guard turn a request away; more are the route's own.
func refusals(more ...int) []int {
	return append([]int{http.StatusBadRequest, http.StatusUnauthorized, http.StatusForbidden, http.StatusRequestEntityTooLarge,
		http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity, http.StatusTooManyRequests}, more...)
}

// guardAPI lets through what has the form of a question or of a change. Who may do it is judged at the route, and what no route
// takes is answered to those who are known.
func (s *Server) guardAPI(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case slices.Contains(safeMethods, r.Method):
			if r.ContentLength != 0 {
				problem(w, http.StatusRequestEntityTooLarge, "A question has no body", "Send the request without one.")
				return
			}
			next.ServeHTTP(w, r)
		case !slices.Contains(changingMethods, r.Method):
			problem(w, http.StatusMethodNotAllowed, "This method is not known here", "See "+apiPrefix+"openapi.json for what there is.")
		default:
			s.changing(next, w, r)
		}
	})
}

// bearer is the token that a request shows (RFC 6750, section 2.1).
func bearer(r *http.Request) (token string, named bool) {
	values := r.Header.Values("Authorization")
	if len(values) != 1 {
		return "", false
	}
	scheme, token, found := strings.Cut(values[0], " ")
	return strings.TrimLeft(token, " "), found && strings.EqualFold(scheme, "Bearer")
}

// bodyForm is which bodies a route takes.
type bodyForm struct {
	types []string // nil: none
	limit int64    // bytes
	file  bool     // it is no JSON
}

const formKey = "form" // in the metadata of an operation

// takes says that a route takes other bodies than its method does otherwise.
func takes(op huma.Operation, form bodyForm) huma.Operation {
	op.Metadata[formKey] = form
	return op
}

// formOf says which bodies a route takes.
func formOf(op *huma.Operation, method string) bodyForm {
	if form, ok := op.Metadata[formKey].(bodyForm); ok {
		return form
	}
	return bodyForm{types: bodyTypes[method], limit: bodyLimit}
}

// takeBody reads the body whole, so that nothing is done for a request that is too large or cut off.
func takeBody(w http.ResponseWriter, r *http.Request, form bodyForm) bool {
	types := form.types
	if r.Method == http.MethodPost && r.ContentLength == 0 && r.Header.Get("Content-Type") == "" {
		return true // whoever asks without saying more; a route that needs to be told says so itself
	}
	if types == nil {
		if r.ContentLength != 0 {
			problem(w, http.StatusRequestEntityTooLarge, "This request has no body", "Send it without one.")
		}
		return r.ContentLength == 0
	}
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || !slices.Contains(types, kind) || r.Header.Get("Content-Encoding") != "" {
		if r.Method == http.MethodPatch {
			w.Header().Set("Accept-Patch", strings.Join(types, ", ")) // RFC 5789, section 3.1
		}
		problem(w, http.StatusUnsupportedMediaType, "The body is of a kind that is not taken here",
			"Send it with Content-Type: "+strings.Join(types, " or ")+", not compressed.")
		return false
	}
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, form.limit))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		problem(w, http.StatusRequestEntityTooLarge, "The body is too large", fmt.Sprintf("At most %d bytes are taken.", form.limit))
		return false
	case err != nil:
		problem(w, http.StatusBadRequest, "The body did not come whole", "Send the request again.")
		return false
	case len(b) == 0 && r.Method != http.MethodPost:
		problem(w, http.StatusBadRequest, "The body is empty", "See "+apiPrefix+"openapi.json for what belongs into it.")
		return false
	}
	if name, found := givenTwice(b); found && !form.file {
		problem(w, http.StatusUnprocessableEntity, "The request cannot be taken", fmt.Sprintf("The name %.80q is there twice: it is not clear which one counts.", name))
		return false
	}
	r.Body = io.NopCloser(bytes.NewReader(b))
	return true
}

// givenTwice finds a name that an object of a JSON text has twice (RFC 8259, section 4: readers differ in which one counts), in
// whatever case: some readers, the library below among them, take them for the same. A text that is no JSON is left to the route.
func givenTwice(b []byte) (string, bool) {
	type level struct {
		names map[string]bool // nil: a list
		value bool            // the next text is a value, not a name
	}
	var open []*level
	for d := json.NewDecoder(bytes.NewReader(b)); ; {
		token, err := d.Token()
		if err != nil {
			return "", false
		}
		var in *level
		if len(open) > 0 {
			in = open[len(open)-1]
		}
		if name, ok := token.(string); ok && in != nil && in.names != nil && !in.value {
			folded := strings.ToLower(name)
			if in.names[folded] {
				return name, true
			}
			in.names[folded], in.value = true, true
			continue
		}
		switch token {
		case json.Delim('}'), json.Delim(']'):
			open = open[:len(open)-1]
			continue
		}
		if in != nil {
			in.value = false
		}
		switch token {
		case json.Delim('{'):
			open = append(open, &level{names: map[string]bool{}})
		case json.Delim('['):
			open = append(open, &level{})
		}
	}
}
