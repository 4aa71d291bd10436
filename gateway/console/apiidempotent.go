package console

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/once"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Acts finds what the journal knows of a request with a key.
type Acts interface {
	// ActsOf gives the ids of the entries that carry the key half of a request's mark, the oldest first, at most 100, and the whole
	// mark of the first.
	ActsOf(ctx context.Context, key string) (ids []string, mark string, err error)
	// Settled returns once everything that was given to the journal before is durable or refused.
	Settled(ctx context.Context) error
}

const (
	keyHeader  = "Idempotency-Key"
	longestKey = 255

	problemUnderWay   = problemTypes + "under-way"
	problemKeyUsed    = problemTypes + "key-used"
	problemCarriedOut = problemTypes + "carried-out"

	// settleTime is how long a request of which it is not known whether it was carried out is left alone at least.
	settleTime = 30 * time.Second
	actsTime   = 10 * time.Second // to look into the journal
)

// onceRoutes are the operations that take a key. Their acts are entries that carry the request's mark, and their answers hold no
// secret. A route that is not here refuses a key: who sends one must not think that it counts.
var onceRoutes = map[string]bool{
	"read-balance": true, "send-command": true, "make-backup": true, "note-verified-backup": true, "note-review": true, "seal-entries": true,
	"correct-clock": true, "change-key": true, "retry-parked": true, "drop-parked": true, "try-sink": true, "send-requests": true, "cancel-request": true,
	"issue-report": true,
}

// onceDescription says in the description of a route what a key is for.
const onceDescription = "A key of the sender's own for this request (draft-ietf-httpapi-idempotency-key-header-07): the same request with the same key is carried out once, " +
	"however often it is sent, and gets the answer that it got, for a day at least. 422: the key came with another request. 409: the first one is still under way, " +
	"or it was carried out and its answer is no longer known; then entries names what it left in the journal."

// describeOnce adds the header to the routes that take it.
func describeOnce(doc *huma.OpenAPI) {
	for _, item := range doc.Paths {
		if op := item.Post; op != nil && onceRoutes[op.OperationID] {
			op.Parameters = append(op.Parameters, &huma.Param{Name: keyHeader, In: "header", Description: onceDescription,
				Schema: &huma.Schema{Type: huma.TypeString, MinLength: new(1), MaxLength: new(longestKey + 2)}, Example: `"8e03978e-40d5-43dd-bc93-6894a57f9324"`})
			op.Responses["409"] = &huma.Response{Description: http.StatusText(http.StatusConflict),
				Content: map[string]*huma.MediaType{"application/problem+json": {Schema: doc.Components.Schemas.Schema(typeOf[actedProblem](), true, "")}}}
		}
	}
}

// actedProblem is a problem with the entries that tell more.
type actedProblem struct {
	Type    string   `json:"type" doc:"As of every problem." example:"about:blank"`
	Title   string   `json:"title" doc:"What is wrong, in a few words."`
	Status  int      `json:"status" doc:"The status of the answer."`
	Detail  string   `json:"detail" doc:"A sentence for whoever sent the request: what was wrong with it, or what to do."`
	Entries []string `json:"entries,omitempty" nullable:"false" doc:"With the type carried-out: ids of the entries that the request left."`
}

// keyOf reads the header: a String of RFC 8941 (section 3.3.3), or, as many send it, the same characters without quotes.
func keyOf(values []string) (string, error) {
	if len(values) != 1 {
		return "", fmt.Errorf("the header %s is there %d times", keyHeader, len(values))
	}
	text := strings.Trim(values[0], " ")
	quoted := len(text) >= 2 && text[0] == '"' && text[len(text)-1] == '"'
	if quoted {
		text = text[1 : len(text)-1]
	}
	var key strings.Builder
	for i := 0; i < len(text); i++ {
		c := text[i]
		if quoted && c == '\\' && i+1 < len(text) && (text[i+1] == '"' || text[i+1] == '\\') {
			i++
			c = text[i]
		} else if c == '"' || c == '\\' || !quoted && (c == ' ' || c == ',' || c == ';') {
			return "", fmt.Errorf("the header %s is no text in quotes", keyHeader)
		}
		if c < 0x20 || c > 0x7e {
			return "", fmt.Errorf("the header %s holds a character that cannot be in a header", keyHeader)
		}
		key.WriteByte(c)
	}
	if n := key.Len(); n < 1 || n > longestKey {
		return "", fmt.Errorf("the key in the header %s has %d characters: give it 1 to %d", keyHeader, n, longestKey)
	}
	return key.String(), nil
}

// senderOf says whose keys a request's key is one of.
func senderOf(who rights.Who) string {
	switch {
	case who.Person != "":
		return "person " + who.Person
	case who.Actor.By == record.ActorAPIKey:
		return "api-key " + who.Actor.ID
	}
	return "host"
}

// once carries a request with a key out once. It stands behind whatever turns a request away.
func (s *Server) once(ctx huma.Context, next func(huma.Context)) {
	r, w := humago.Unwrap(ctx)
	values := r.Header.Values(keyHeader)
	if len(values) == 0 || r.Method != http.MethodPost {
		next(ctx)
		return
	}
	if !onceRoutes[ctx.Operation().OperationID] || s.deps.Once == nil || s.deps.Acts == nil {
		problem(w, http.StatusBadRequest, "No key can be sent here", "Send the request without the header "+keyHeader+": it would not count.")
		return
	}
	key, err := keyOf(values)
	if err != nil {
		problem(w, http.StatusBadRequest, "The key cannot be taken", sentence(err.Error()))
		return
	}
	var body []byte
	if r.Body != nil { // it is here already, and no larger than its route takes
		if body, err = io.ReadAll(io.LimitReader(r.Body, formOf(ctx.Operation(), r.Method).limit)); err != nil {
			problem(w, http.StatusBadRequest, "The body did not come whole", "Send the request again.")
			return
		}
	}
	who := rights.From(r.Context())
	mark := record.RequestMark(senderOf(who), key, r.Method+"\x00"+r.URL.RequestURI()+"\x00"+string(body))
	who.Actor.Request = mark
	marked := r.WithContext(rights.With(r.Context(), who))
	marked.Body = io.NopCloser(bytes.NewReader(body))
	if s.mayBegin(w, r, mark) {
		s.carryOut(w, marked, mark, func(w http.ResponseWriter) { next(humago.NewContext(ctx.Operation(), marked, w)) })
	}
}

// mayBegin answers a request whose key is known, and says whether it is to be carried out.
func (s *Server) mayBegin(w http.ResponseWriter, r *http.Request, mark string) bool {
	state, a, since := s.deps.Once.Begin(mark)
	switch state {
	case once.Answered:
		replay(w, a)
		return false
	case once.Other:
		keyUsed(w)
		return false
	case once.UnderWay:
		w.Header().Set("Retry-After", "1")
		typedProblem(w, problemUnderWay, http.StatusConflict, "The request is under way", "Ask again: the answer will be that of the first one.")
		return false
	}
	limit, cancel := context.WithTimeout(r.Context(), actsTime)
	defer cancel()
	ids, had, err := s.deps.Acts.ActsOf(limit, record.MarkKey(mark))
	if err == nil && len(ids) == 0 && state == once.Unsettled {
		if err = s.deps.Acts.Settled(limit); err == nil { // what was on its way has arrived by now, or never will
			ids, had, err = s.deps.Acts.ActsOf(limit, record.MarkKey(mark))
		}
		if err == nil && len(ids) == 0 && time.Since(since) < settleTime {
			s.deps.Once.Loose(mark)
			w.Header().Set("Retry-After", strconv.Itoa(1+int((settleTime-time.Since(since))/time.Second)))
			typedProblem(w, problemUnderWay, http.StatusConflict, "It is not known what becomes of the request", "It may still be carried out: ask again.")
			return false
		}
	}
	switch {
	case err != nil:
		if state == once.Unsettled {
			s.deps.Once.Loose(mark)
		} else {
			s.deps.Once.Forget(mark)
		}
		w.Header().Set("Retry-After", retryAfter)
		problem(w, http.StatusServiceUnavailable, "It cannot be seen whether this was done before", "Nothing was done now. "+sentence(err.Error()))
		return false
	case len(ids) == 0:
		return true
	}
	s.deps.Once.Forget(mark)
	if had != mark {
		keyUsed(w)
		return false
	}
	carriedOut(w, ids)
	return false
}

// carryOut lets a request be carried out, and remembers the answer before it goes out. An answer that says that nothing was done
// is not remembered: the same key may be sent again. After one that leaves it open, the journal tells.
func (s *Server) carryOut(w http.ResponseWriter, r *http.Request, mark string, act func(http.ResponseWriter)) {
	kept := &keptAnswer{ResponseWriter: w, header: http.Header{}}
	settled := false
	defer func() {
		if !settled { // it broke off
			s.deps.Once.Loose(mark)
		}
	}()
	act(kept)
	done := kept.status < http.StatusMultipleChoices
	if kept.status >= http.StatusInternalServerError {
		limit, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), actsTime)
		defer cancel()
		ids, _, err := s.deps.Acts.ActsOf(limit, record.MarkKey(mark))
		done = err == nil && len(ids) > 0
		if !done && (err != nil || kept.status != http.StatusGatewayTimeout) {
			s.deps.Once.Loose(mark)
			settled = true
			kept.send()
			return
		}
	}
	settled = true
	if !done {
		s.deps.Once.Forget(mark)
		kept.send()
		return
	}
	a := once.Answer{Mark: mark, Status: kept.status, Header: map[string]string{}, Body: kept.body.Bytes()}
	for _, name := range []string{"Content-Type", "Location", "ETag"} {
		if v := kept.header.Get(name); v != "" {
			a.Header[name] = v
		}
	}
	if err := s.deps.Once.Keep(a); err != nil {
		s.deps.Log.Warn("an answer is not remembered for longer than this start; the journal knows of the act", "err", err)
	}
	kept.send()
}

// replay sends an answer again.
func replay(w http.ResponseWriter, a once.Answer) {
	for name, value := range a.Header {
		w.Header().Set(name, value)
	}
	w.WriteHeader(a.Status)
	_, _ = w.Write(a.Body)
}

func keyUsed(w http.ResponseWriter) {
	typedProblem(w, problemKeyUsed, http.StatusUnprocessableEntity, "The key came with another request", "Nothing was done. Send each request with a key of its own.")
}

func carriedOut(w http.ResponseWriter, ids []string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(http.StatusConflict)
	_ = json.NewEncoder(w).Encode(actedProblem{problemCarriedOut, "The request was carried out before", http.StatusConflict,
		"What was answered then is no longer known. See entries for what it left in the journal; nothing was done again.", ids})
}

// typedProblem answers with a problem that programs can tell from others of its status.
func typedProblem(w http.ResponseWriter, kind string, status int, title, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(problemDocument{kind, title, status, detail})
}

// keptAnswer holds an answer back.
type keptAnswer struct {
	http.ResponseWriter
	header http.Header
	status int
	body   bytes.Buffer
}

func (k *keptAnswer) Header() http.Header { return k.header }

func (k *keptAnswer) WriteHeader(status int) {
	if k.status == 0 {
		k.status = status
	}
}

func (k *keptAnswer) Write(b []byte) (int, error) {
	k.WriteHeader(http.StatusOK)
	return k.body.Write(b)
}

// Unwrap lets a http.ResponseController set the time limits of what is below.
func (k *keptAnswer) Unwrap() http.ResponseWriter { return k.ResponseWriter }

func (k *keptAnswer) send() {
	to := k.ResponseWriter.Header()
	for name, values := range k.header {
		to[name] = values
	}
	k.WriteHeader(http.StatusOK)
	k.ResponseWriter.WriteHeader(k.status)
	_, _ = k.ResponseWriter.Write(k.body.Bytes())
}
