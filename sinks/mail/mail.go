// Package mail sends messages: about conditions that hold (alarms), and about entries of chosen kinds.
//
// A message is plain text and short. Its Message-ID is made of what it says: the message about an entry has the same one each time that
// it is sent, so that duplicates can be told. All messages together are at most so many an hour; what is more waits and then goes out
// as one message.
//
// What the server says, and what it means (RFC 5321 section 4.2.1):
//
//	250 after the message            accepted
//	4yz, no answer, cut              tried again
//	5yz after the message            the entry is refused
//	5yz to sender or receiver, to the password, at the greeting; no STARTTLS, no trust
//	                                 the sink is stopped
//
// Alarms are no entries: see alarms.go.
package mail

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Sink sends to one list of people.
type Sink struct {
	cfg      Config
	env      sinks.Env
	id, site string
	log      *slog.Logger
	hourly   allowance
	unsent   func(error) // told why a message about conditions could not be sent, and nil when one was

	latest  atomic.Pointer[[]byte] // conditions, as the daemon told last
	changed chan struct{}
	end     context.CancelFunc
	ended   sync.WaitGroup
}

// New makes a sink, and has it watch for conditions. It does not wait for the server.
func New(c Config, id string, env sinks.Env) *Sink { return newSink(c, id, env, time.Now()) }

// newSink is New, as if the daemon had begun at a time.
func newSink(c Config, id string, env sinks.Env, began time.Time) *Sink {
	s := &Sink{cfg: c, env: env, id: id, site: env.Site, log: env.Logger(id), hourly: allowance{most: c.PerHour, span: time.Hour}, changed: make(chan struct{}, 1), unsent: env.Alarms}
	if s.unsent == nil {
		s.unsent = func(error) {}
	}
	ctx, cancel := context.WithCancel(context.Background()) // ends with Close
	s.end = cancel
	if c.Alarms.Severity != "none" {
		memory := openMemory(env.Folder, id, s.log)
		s.ended.Go(func() { s.watch(ctx, memory, began) })
	}
	return s
}

// Close ends what the sink does by itself.
func (s *Sink) Close() error {
	s.end()
	s.ended.Wait()
	s.unsent(nil) // nothing is to be sent any more
	return nil
}

// Far is the server's host and port.
func (s *Sink) Far() string {
	host, port, err := s.cfg.address()
	if err != nil || host == "" {
		return ""
	}
	return net.JoinHostPort(strings.ToLower(host), cmp.Or(port, "25"))
}

// Deliver sends a message for each entry, as long as the hour allows; the last that it allows is about all that is left.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (n int, err error) {
	if len(entries) == 0 {
		return 0, nil
	}
	if _, wait := s.hourly.left(time.Now()); wait > 0 {
		return 0, sinks.Busy{Err: errTooMany, After: wait}
	}
	l, err := s.connect(ctx)
	if err != nil {
		return 0, err
	}
	defer l.close()
	for most := len(entries); n < len(entries); {
		left, wait := s.hourly.left(time.Now())
		if wait > 0 {
			return n, sinks.Busy{Err: errTooMany, After: wait}
		}
		what, count := s.ofEntry(entries[n]), 1
		if together := min(len(entries)-n, most); left == 1 && together > 1 {
			what, count = s.ofEntries(entries[n:n+together]), together
		}
		err := s.post(l, what)
		var refused sinks.Refused
		if errors.As(err, &refused) && count > 1 {
			most = count / 2 // which of them is it?
			continue
		}
		if err != nil {
			return n, err
		}
		n += count
	}
	return n, nil
}

var errTooMany = errors.New("as many messages went out in this hour as per_hour allows; what waits goes out as one")

// post sends one message on a connection.
func (s *Sink) post(l *line, what letter) error {
	if what.err != nil {
		return sinks.Refused{Err: what.err}
	}
	now := time.Now()
	m, err := s.write(what, now)
	if err != nil {
		return sinks.Refused{Err: err}
	}
	if err := l.send(m); err != nil {
		return err
	}
	s.hourly.use(now)
	return nil
}

// Preview gives the message about an entry.
func (c *Config) Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	s := &Sink{cfg: *c, env: env, id: id, site: env.Site}
	l := s.ofEntry(e)
	if l.err != nil {
		return sinks.Shown{}, l.err
	}
	shown := sinks.Shown{To: "mail to " + strings.Join(c.To, ", "), Type: "text/plain; charset=UTF-8", Body: []byte(l.body)}
	shown.Attributes = []sinks.Attribute{{Name: "From", Value: c.From}, {Name: "Subject", Value: oneLine(l.subject, 250)}, {Name: "Message-ID", Value: "<" + l.id + ">"}}
	if l.late {
		shown.Attributes = append(shown.Attributes, sinks.Attribute{Name: "Weighpost-Late", Value: "?1"})
	}
	if l.file != nil {
		shown.Attributes = append(shown.Attributes, sinks.Attribute{Name: "attached", Value: l.fileIs + ": " + shownFile(&l)})
	}
	return shown, nil
}

// shownFile is what a preview shows of a file that is attached.
func shownFile(l *letter) string {
	if l.fileOf != jsonType {
		return fmt.Sprintf("%d bytes of %s", len(l.file), l.fileOf)
	}
	return string(l.file)
}
