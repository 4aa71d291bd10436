// Package nats delivers entries to a JetStream stream of NATS servers. It owns the connection, the names of the subjects and
// what counts as accepted there; what to send, when to try again and what to set aside is package deliver's business.
//
// Subjects, with the site's and the balance's name as configured:
//
//	weighpost.<site>.<balance>.weighing   an entry in the chosen format; likewise ….result, ….unread and so on
//	weighpost.<site>.@.<kind>             entries that are about no balance
//	weighpost.<site>.checkpoint           the journal's signed checkpoints
//
// Headers: Nats-Msg-Id is the entry's id, Nats-Expected-Stream the stream, Content-Type the media type, and Weighpost-Late: ?1 marks
// what was refused before, or held, and comes after entries that are younger.
//
// Promised: an entry counts as delivered only when the stream itself has acknowledged it, with its name and a sequence: then
// as many servers as the stream has replicas for a majority have it. Nothing is kept for later in this process: while there is no connection,
// Deliver fails. After a loss the same entries may arrive again, with the same id, and within the stream's duplicate window it
// keeps them once. The first arrivals are in order also when the stream moves to another server in between: a message that does not wait for the
// acknowledgement of the one before it names that one (Nats-Expected-Last-Msg-Id), and a stream that has not got it refuses it.
//
// Not promised: JetStream servers write to their disks and sync them every two minutes if nothing else is configured
// (sync_interval). What a majority loses with its power in between is lost there; the journal still has it.
package nats

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Sink publishes to one stream. It implements sinks.Sink and the optional sinks.Checkpointer and sinks.Farther.
type Sink struct {
	cfg      Config
	id       string
	subjects subjects
	format   format.Format
	log      *slog.Logger

	turn chan struct{} // held while the link is used or replaced; a channel, so that waiting for it obeys ctx
	link *link         // under turn; nil where there is none
}

// New makes the sink. It asks nobody: the first Deliver connects. A Config that has faults is refused.
func New(c Config, id string, env sinks.Env) (*Sink, error) {
	r := strict.NewReport("nats")
	c.Check(r)
	if err := r.Faults().Err(); err != nil {
		return nil, fmt.Errorf("sink %s: %w", id, err)
	}
	f, err := c.Choice.Open(env)
	if err != nil {
		return nil, fmt.Errorf("sink %s: %w", id, err)
	}
	return &Sink{cfg: c, id: id, subjects: newSubjects(c.Prefix, env.Site), format: f, log: env.Logger(id), turn: make(chan struct{}, 1)}, nil
}

// Far is the first server's host and port.
func (s *Sink) Far() string {
	u, err := url.Parse(s.cfg.Servers[0])
	if err != nil || u.Hostname() == "" {
		return ""
	}
	return hostPort(u)
}

// Deliver publishes the entries and returns how many leading ones the stream acknowledged. An empty batch only makes sure that
// there is a connection and a stream that can be used.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	messages, refused := s.messages(entries)
	n, err := s.send(ctx, messages)
	if err == nil {
		err = refused
	}
	return n, err
}

// Checkpoint publishes the journal's signed checkpoint.
func (s *Sink) Checkpoint(ctx context.Context, signedNote []byte) error {
	m := s.message(s.subjects.checkpoint(), signedNote)
	sum := sha256.Sum256(signedNote)
	m.Header.Set(jetstream.MsgIDHeader, "checkpoint/"+hex.EncodeToString(sum[:16]))
	m.Header.Set("Content-Type", "text/plain; charset=utf-8")
	_, err := s.send(ctx, []*nats.Msg{m})
	return err
}

// messages turns the leading entries that can be held into messages, and says what is wrong with the next one.
func (s *Sink) messages(entries []record.Entry) ([]*nats.Msg, error) {
	messages := make([]*nats.Msg, 0, len(entries))
	for _, e := range entries {
		p, err := s.format.Entry(e)
		if err != nil {
			return messages, sinks.Refused{Err: err}
		}
		m := s.message(s.subjects.entry(e), p.Body)
		for _, a := range p.Attributes {
			m.Header.Set(a.Name, headerValue(a.Value))
		}
		m.Header.Set(jetstream.MsgIDHeader, headerValue(e.ID))
		m.Header.Set("Content-Type", headerValue(p.Type))
		if e.Late {
			m.Header.Set("Weighpost-Late", "?1")
		}
		messages = append(messages, m)
	}
	return messages, nil
}

func (s *Sink) message(subject string, body []byte) *nats.Msg {
	m := nats.NewMsg(subject)
	m.Data = body
	m.Header.Set(jetstream.ExpectedStreamHeader, s.cfg.Stream)
	return m
}

// headerValue makes a text fit for a header: bytes outside of printable ASCII, a space at either end, and % become % with two hex
// digits, so that no two texts become one. Ids of weighpost's own making stay as they are.
func headerValue(text string) string {
	plain := strings.TrimSpace(text) == text
	for i := 0; plain && i < len(text); i++ {
		plain = text[i] >= ' ' && text[i] <= '~' && text[i] != '%'
	}
	if plain {
		return text
	}
	var b strings.Builder
	for i := range len(text) {
		if c := text[i]; c < ' ' || c > '~' || c == '%' || c == ' ' && (i == 0 || i == len(text)-1) {
			fmt.Fprintf(&b, "%%%02X", c)
		} else {
			b.WriteByte(c)
		}
	}
	return b.String()
}

// send publishes over the link, or over a new one if there is none. A link over which something failed is not used again.
func (s *Sink) send(ctx context.Context, messages []*nats.Msg) (n int, err error) {
	if err := s.take(ctx); err != nil {
		return 0, err
	}
	defer s.give()
	if s.link != nil && !s.link.alive() {
		s.drop()
	}
	if s.link == nil {
		if s.link, err = s.dial(ctx); err != nil {
			return 0, err
		}
	}
	if n, err = s.link.publish(ctx, messages, s.cfg.Timeout.D()); err == nil {
		return n, nil
	}
	var refused sinks.Refused
	if !errors.As(err, &refused) {
		s.drop()
	}
	return n, err
}

func (s *Sink) drop() {
	if s.link != nil {
		s.link.close()
		s.link = nil
	}
}

func (s *Sink) take(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case s.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *Sink) give() { <-s.turn }

// Close ends the connection and its goroutines. There is nothing to say farewell for: what was not acknowledged is not delivered.
func (s *Sink) Close() error {
	select {
	case s.turn <- struct{}{}: // no Deliver follows, so nobody holds it for long
		defer s.give()
		s.drop()
		return nil
	case <-time.After(5 * time.Second):
		return errors.New("the connection to NATS is still in use and was not closed")
	}
}

// Preview shows what would be published for one entry.
func (c *Config) Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	s, err := New(*c, id, env)
	if err != nil {
		return sinks.Shown{}, err
	}
	messages, err := s.messages([]record.Entry{e})
	if err != nil {
		return sinks.Shown{}, err
	}
	m := messages[0]
	shown := sinks.Shown{To: m.Subject + " (stream " + c.Stream + ")", Type: m.Header.Get("Content-Type"), Body: m.Data}
	for _, name := range sortedNames(m.Header) {
		if name != "Content-Type" {
			shown.Attributes = append(shown.Attributes, sinks.Attribute{Name: name, Value: m.Header.Get(name)})
		}
	}
	return shown, nil
}
