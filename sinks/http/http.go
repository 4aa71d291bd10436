// Package http delivers entries to a URL by POST or PUT: one in each request, or a batch, in a format of package format.
//
// Each request carries the header Idempotency-Key (draft-ietf-httpapi-idempotency-key-header) with the entry's id, which is
// the same at every attempt: a receiver that has seen it answers as it did before. A batch carries the ids of its first and
// last entry; a retry may cut batches in another place, so receivers of batches go by the ids within.
//
// A request with entries that were refused before and that somebody has delivered again has the header Weighpost-Late: ?1 (a boolean
// of RFC 8941, section 3.3.6): entries that came after them in the journal may have arrived already. Such entries never share a
// request with others.
//
// What an answer means, where the configuration does not say otherwise (statuses):
//
//	2xx                                accepted
//	408, 425, 429, other 5xx           tried again; not before Retry-After, where there is one
//	3xx, 401, 403, 404, 405, 407, 410, 501, 505
//	                                   the sink is stopped: credentials, address or method are wrong
//	400, 409, 413, 415, 422, other 4xx the entry is refused; of a batch, the entry that causes it is found by halves.
//	                                   409 with Retry-After is tried again: the same key is still being worked on
//
// Requests can be signed (sign.go), carry a token that an authorization server gives (oauth.go), and go by a proxy (proxy.go). What the
// server calls an entry can be kept (answerid.go).
//
// No answer, or a cut before its first line, is tried again. A redirect is never followed: weighings, and what proves who
// sends them, go only where the configuration says.
package http

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"golang.org/x/net/http/httpguts"
	"golang.org/x/oauth2"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

const (
	// maxBatch is how many bytes of entries a batch may have, unless one entry alone has more.
	maxBatch = 1 << 20
	// maxDrain is how much of an answer is read, so that the connection can be used again.
	maxDrain = 64 << 10
	// shown is how much of an answer is shown in an error.
	shown = 200
)

// Sink sends to one URL. It is made by New and used by one goroutine at a time.
type Sink struct {
	cfg    Config
	log    *slog.Logger
	format format.Format
	client *http.Client  // nil: to be made anew from the files that the configuration names
	auth   string        // as the header has it; "" for none, or for a token that is asked for
	keys   [][]byte      // that requests are signed with
	held   *oauth2.Token // nil: to be asked for

	receipts []record.Answered // of the last Deliver
}

// New makes a sink. Certificates and secrets are read at the first delivery, and again after the server turned it away: they
// may have been renewed.
func New(c Config, id string, env sinks.Env) (*Sink, error) {
	f, err := c.Choice.Open(env)
	if err != nil {
		return nil, err
	}
	return &Sink{cfg: c, log: env.Logger(id), format: f}, nil
}

// Far is the server's host and port.
func (s *Sink) Far() string {
	u, err := url.Parse(strings.ReplaceAll(s.cfg.URL, idPlaceholder, "id"))
	if err != nil || u.Hostname() == "" {
		return ""
	}
	port := map[string]string{"http": "80", "https": "443"}[u.Scheme]
	return net.JoinHostPort(strings.ToLower(u.Hostname()), cmp.Or(u.Port(), port))
}

// Close lets go of the connections.
func (s *Sink) Close() error {
	if s.client != nil {
		s.client.CloseIdleConnections()
	}
	return nil
}

// renew has the next delivery read certificates and secrets anew.
func (s *Sink) renew() {
	_ = s.Close()
	s.client, s.held = nil, nil
}

// Deliver sends the entries in order, one request after the other.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (n int, err error) {
	if len(entries) == 0 {
		return 0, nil
	}
	s.receipts = nil
	if err := s.connect(); err != nil {
		return 0, sinks.Unusable{Err: err}
	}
	for size := len(entries); n < len(entries); {
		batch := s.cut(entries[n:], size)
		err := s.send(ctx, batch)
		var refused sinks.Refused
		var unusable sinks.Unusable
		switch {
		case err == nil:
			n += len(batch)
			continue
		case errors.As(err, &refused) && len(batch) > 1:
			size = len(batch) / 2 // which of them is it?
			continue
		case errors.As(err, &unusable):
			s.renew()
		}
		return n, err
	}
	return n, nil
}

// cut takes the entries of one request.
func (s *Sink) cut(entries []record.Entry, size int) []record.Entry {
	if s.cfg.Body == Entry {
		return entries[:1]
	}
	bytes := 0
	for i, e := range entries[:min(size, len(entries))] {
		if bytes += len(e.JSON); bytes > maxBatch && i > 0 {
			return entries[:i]
		}
	}
	return entries[:min(size, len(entries))]
}

// send hands over one request and judges its answer. A token that the server does not take any more is renewed once.
func (s *Sink) send(ctx context.Context, batch []record.Entry) error {
	held := s.held
	status, err := s.exchange(ctx, batch)
	if status == http.StatusUnauthorized && held != nil && held == s.held {
		s.held = nil
		_, err = s.exchange(ctx, batch)
	}
	return err
}

// exchange makes one request. status is 0 where there is no answer.
func (s *Sink) exchange(ctx context.Context, batch []record.Entry) (status int, err error) {
	p, err := s.body(batch)
	if err != nil {
		return 0, err
	}
	h := http.Header{}
	if err = head(h, batch, p); err == nil {
		err = s.prove(ctx, h, messageID(batch), p.Body)
	}
	if err != nil {
		return 0, err
	}
	ctx, cancel := context.WithTimeout(ctx, s.cfg.Timeout.D())
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, s.cfg.Method, s.cfg.target(batch[0]), bytes.NewReader(p.Body))
	if err != nil {
		return 0, sinks.Unusable{Err: errors.New("its URL cannot be used")}
	}
	req.Header = h
	answer, err := s.client.Do(req)
	if err != nil {
		return 0, s.unanswered(err)
	}
	defer answer.Body.Close()
	// The first line decides; whether the rest arrives does not matter any more.
	said, _ := io.ReadAll(io.LimitReader(answer.Body, maxDrain))
	if err = s.cfg.decide(answer, s.hide(said, h)); err == nil {
		s.note(batch, answer, said)
	}
	return answer.StatusCode, err
}

// target is the URL for an entry.
func (c *Config) target(e record.Entry) string {
	return strings.ReplaceAll(c.URL, idPlaceholder, segment(e.ID))
}

// head writes the headers that a request has for what it carries, whoever sends it.
func head(h http.Header, batch []record.Entry, p format.Payload) error {
	for _, a := range p.Headers() {
		if !httpguts.ValidHeaderFieldName(a.Name) || !httpguts.ValidHeaderFieldValue(a.Value) {
			return sinks.Refused{Err: fmt.Errorf("%s of entry %s is nothing that a header can carry", a.Name, batch[0].ID)}
		}
		h.Set(a.Name, a.Value)
	}
	h.Set("Content-Type", p.Type)
	h.Set("Idempotency-Key", key(batch))
	h.Set("User-Agent", "weighpost")
	if slices.ContainsFunc(batch, func(e record.Entry) bool { return e.Late }) {
		h.Set("Weighpost-Late", "?1")
	}
	return nil
}

// segment makes an id fit for one segment of a path (RFC 3986 section 3.3). A segment of dots alone would be a way up.
func segment(id string) string {
	if strings.Trim(id, ".") == "" {
		return strings.ReplaceAll(id, ".", "%2E")
	}
	return url.PathEscape(id)
}

// key is the Idempotency-Key of a request: a string in the sense of RFC 8941 section 3.3.3, so in quotes, with \ in front of
// " and \. Bytes outside of printable ASCII, which such a string cannot hold, and % are written as % with two hex digits.
func key(batch []record.Entry) string {
	id := batch[0].ID
	if len(batch) > 1 {
		id += " " + batch[len(batch)-1].ID
	}
	var b strings.Builder
	b.Grow(len(id) + 2)
	b.WriteByte('"')
	for i := range len(id) {
		switch c := id[i]; {
		case c < ' ' || c > '~' || c == '%':
			fmt.Fprintf(&b, "%%%02X", c)
		case c == '"' || c == '\\':
			b.Write([]byte{'\\', c})
		default:
			b.WriteByte(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}
