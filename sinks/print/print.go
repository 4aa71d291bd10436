// Package print delivers entries as labels or slips to a printer: by the system's spooler, by IPP, as bytes over TCP, or on a
// serial port. What came back (the number of the job) and the SHA-256 of what was handed over become an entry of the journal.
//
// What accepted means differs by the way: the spooler has the job in its queue; a printer or server that speaks IPP says that
// the job is completed, or held for a person; over TCP and on a serial port, the bytes were sent and nobody answers.
//
//	no answer, connection lost, spooler not running, job not finished in time    tried again
//	printer stopped, out of paper, not accepting jobs, too many jobs             not before a while
//	no such queue or printer, not allowed, format not supported                  the sink is stopped
//	the entry cannot be printed as it is set, job cancelled or aborted           the entry is refused
//
// An entry whose last attempt may have reached the paper is marked as a copy at the next one, as long as this process remembers;
// after a crash a slip may come twice without that mark, and the id on it tells.
package print

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"log/slog"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// again is how long a printer is left alone that says it cannot print for now.
const again = 15 * time.Second

// way carries a document to a printer.
type way interface {
	// send hands over one document and returns what the printer calls it. maybe says, with an error, that it may have reached
	// the paper.
	send(ctx context.Context, d document) (given string, maybe bool, err error)
	close()
}

// document is what is printed for one entry.
type document struct {
	id   string // of the entry
	kind string // media type
	body []byte
}

// Sink prints. Deliver is for one goroutine at a time.
type Sink struct {
	cfg   Config
	log   *slog.Logger
	maker *maker
	way   way
	maybe string // id of the entry whose last attempt may have reached the paper
	given []record.Answered
}

// New makes a sink.
func New(c Config, id string, env sinks.Env) (*Sink, error) {
	m, err := newMaker(&c, env)
	if err != nil {
		return nil, err
	}
	s := &Sink{cfg: c, log: env.Logger(id), maker: m}
	switch c.Way {
	case Spooler:
		s.way = &spooler{cfg: &s.cfg}
	case IPP:
		s.way, err = newPrinter(&s.cfg)
	case Raw:
		s.way = &raw{address: c.Address, timeout: c.Timeout.D()}
	case Serial:
		if env.Ports == nil {
			return nil, fmt.Errorf("there are no serial ports to be had here")
		}
		s.way = &serial{ports: env.Ports, line: c.Port}
	default:
		return nil, fmt.Errorf("%.40q is no way to a printer", c.Way)
	}
	return s, err
}

// Close lets go of the printer.
func (s *Sink) Close() error {
	s.way.close()
	return nil
}

// Receipts gives the numbers of the jobs, and what was printed as a hash.
func (s *Sink) Receipts() []record.Answered {
	list := s.given
	s.given = nil
	return list
}

// Deliver prints entries one after the other.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (n int, err error) {
	s.given = nil
	for ; n < len(entries); n++ {
		if err := s.one(ctx, entries[n]); err != nil {
			return n, err
		}
	}
	return n, nil
}

func (s *Sink) one(ctx context.Context, e record.Entry) error {
	body, err := s.maker.make(e, s.maybe == e.ID)
	if err != nil {
		return sinks.Refused{Err: err}
	}
	given, maybe, err := s.way.send(ctx, document{id: e.ID, kind: s.cfg.mediaType(), body: body})
	if err != nil {
		if maybe {
			s.maybe = e.ID
		}
		return err
	}
	s.maybe = ""
	sum := sha256.Sum256(body)
	s.given = append(s.given, record.Answered{Seq: e.Seq, ID: e.ID, Given: given, SHA256: hex.EncodeToString(sum[:])})
	return nil
}

// maker makes documents of entries.
type maker struct {
	cfg *Config
	env sinks.Env
	f   format.Format // nil for labels and reports
}

func newMaker(c *Config, env sinks.Env) (*maker, error) {
	m := &maker{cfg: c, env: env}
	if c.Print != Text {
		return m, nil
	}
	f, err := c.Choice.Open(env)
	m.f = f
	return m, err
}

// copyMark is what a text begins with that may have been printed before.
const copyMark = "*** copy ***\r\n"

// make gives what is printed for an entry. An error says that it never can be.
func (m *maker) make(e record.Entry, copied bool) ([]byte, error) {
	if m.cfg.Print == Label {
		return m.label(e, copied)
	}
	if m.cfg.Print == Report { // as it was issued, also where it may be printed a second time: its number tells
		f, err := m.env.ReportOf(e)
		if err == nil && !f.PDF {
			err = fmt.Errorf("the report %s is for programs to read, and is not printed: issue it as a PDF, or name the destinations that get it", f.Name)
		}
		return f.Body, err
	}
	text, err := m.cfg.Entry(m.cfg.Format, m.f, e, "\r\n")
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if copied {
		b.WriteString(copyMark)
	}
	b.Write(text)
	if !m.hasID(text, e) {
		b.WriteString(plain(e.ID) + "\r\n")
	}
	b.WriteString(m.cfg.PageEnd)
	return b.Bytes(), nil
}

// hasID says whether a text tells which entry it is of. JSON always does.
func (m *maker) hasID(text []byte, e record.Entry) bool {
	return m.cfg.Format == format.NameJSON || m.cfg.Format == format.NameNDJSON || bytes.Contains(text, []byte(e.ID))
}

// plain is an id as it is printed. Ids are checked names; one of a journal from elsewhere may hold anything.
func plain(id string) string {
	for _, r := range id {
		if r <= ' ' || r > '~' {
			return format.SafeID(id)
		}
	}
	return id
}
