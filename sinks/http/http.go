// Package http delivers entries to a URL by POST or PUT: the entry's exact JSON, or a batch of them.
//
// Each request carries the header Idempotency-Key (draft-ietf-httpapi-idempotency-key-header) with the entry's id, which is
// the same at every attempt: a receiver that has seen it answers as it did before. A batch carries the ids of its first and
// last entry; a retry may cut batches in another place, so receivers of batches go by the ids within.
//
// A request with entries that were refused before and that somebody has delivered again has the header Weighpost-Late: ?1 (a boolean
// of RFC 8941, section 3.3.6): entries that came after them in the journal may have arrived already. Such entries never share a
// request with others.
//
// What an answer means:
//
//	2xx                                accepted
//	408, 425, 429, other 5xx           tried again; not before Retry-After, where there is one
//	3xx, 401, 403, 404, 405, 407, 410, 501, 505
//	                                   the sink is stopped: credentials, address or method are wrong
//	400, 409, 413, 415, 422, other 4xx the entry is refused; of a batch, the entry that causes it is found by halves.
//	                                   409 with Retry-After is tried again: the same key is still being worked on
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
	client *http.Client // nil: to be made anew from the files that the configuration names
}

// New makes a sink. Certificates and secrets are read at the first delivery, and again after the server turned it away: they
// may have been renewed.
func New(c Config, id string, env sinks.Env) (*Sink, error) {
	return &Sink{cfg: c, log: env.Logger(id)}, nil
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

// Deliver sends the entries in order, one request after the other.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (n int, err error) {
	if len(entries) == 0 {
		return 0, nil
	}
	auth, err := s.connect()
	if err != nil {
		return 0, sinks.Unusable{Err: err}
	}
	for size := len(entries); n < len(entries); {
		batch := s.cut(entries[n:], size)
		err := s.send(ctx, auth, batch)
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
			s.Close()
			s.client = nil
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

// send makes one request and judges its answer.
func (s *Sink) send(ctx context.Context, auth string, batch []record.Entry) error {
	ctx, cancel := context.WithTimeout(ctx, s.cfg.Timeout.D())
	defer cancel()
	req, err := s.request(ctx, auth, batch)
	if err != nil {
		return err
	}
	answer, err := s.client.Do(req)
	if err != nil {
		return s.unanswered(err)
	}
	defer answer.Body.Close()
	// The first line decides; whether the rest arrives does not matter any more.
	said, _ := io.ReadAll(io.LimitReader(answer.Body, maxDrain))
	return judge(answer, said)
}

func (s *Sink) request(ctx context.Context, auth string, batch []record.Entry) (*http.Request, error) {
	body, kind, err := s.body(batch)
	if err != nil {
		return nil, err
	}
	target := strings.ReplaceAll(s.cfg.URL, idPlaceholder, segment(batch[0].ID))
	req, err := http.NewRequestWithContext(ctx, s.cfg.Method, target, bytes.NewReader(body))
	if err != nil {
		return nil, sinks.Unusable{Err: errors.New("its URL cannot be used")}
	}
	req.Header.Set("Content-Type", kind)
	req.Header.Set("Idempotency-Key", key(batch))
	req.Header.Set("User-Agent", "weighpost")
	if slices.ContainsFunc(batch, func(e record.Entry) bool { return e.Late }) {
		req.Header.Set("Weighpost-Late", "?1")
	}
	if auth != "" {
		req.Header.Set("Authorization", auth)
	}
	return req, nil
}

func (s *Sink) body(batch []record.Entry) (body []byte, kind string, err error) {
	switch s.cfg.Body {
	case Lines:
		for _, e := range batch {
			if !format.OneLine(e) && len(batch) == 1 {
				return nil, "", sinks.Refused{Err: fmt.Errorf("entry %s has line ends between its fields and is no line", e.ID)}
			}
			if !format.OneLine(e) {
				return nil, "", sinks.Refused{Err: errors.New("an entry is no line")}
			}
			body = format.AppendLine(body, e)
		}
		return body, "application/x-ndjson", nil
	case Array:
		return format.Array(batch), "application/json", nil
	}
	return format.JSON(batch[0]), "application/json", nil
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
