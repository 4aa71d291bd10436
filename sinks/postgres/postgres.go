// Package postgres delivers entries to a table of PostgreSQL. It owns the connection, the columns and what counts as accepted there; what to
// send, when to try again and what to set aside is package deliver's business.
//
// A row is an entry: its exact bytes in the column entry, and beside them columns to search by (see columns). The id is the primary key.
// An entry that comes again changes nothing: with the same bytes it is there already, with other bytes it is refused.
//
// Promised: an entry counts as delivered once the transaction with its row is committed with synchronous_commit on, which the session sets
// itself; a server that runs without fsync is not used, nor an unlogged table. The rows of a batch are one statement and appear at once, in order.
// After a loss the same entries come again, with the same id, and are there once.
//
// Not promised: what a trigger changes in a row is not looked at. A pooler that gives each transaction another session would lose what
// this one has set: connect to the server itself, or to a pooler that gives whole sessions.
package postgres

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// maxBatch is how many bytes of entries one statement may carry, unless one entry alone has more.
const maxBatch = 4 << 20

// Sink writes to one table. It implements sinks.Sink and sinks.Farther. It is used by one goroutine at a time.
type Sink struct {
	cfg  Config
	log  *slog.Logger
	link *link // nil where there is no connection
}

// New makes the sink. It asks nobody: the first Deliver connects. A Config that has faults is refused.
func New(c Config, id string, env sinks.Env) (*Sink, error) {
	r := strict.NewReport("postgres")
	c.Check(r)
	if err := r.Faults().Err(); err != nil {
		return nil, fmt.Errorf("sink %s: %w", id, err)
	}
	return &Sink{cfg: c, log: env.Logger(id)}, nil
}

// Far is the server's host and port; "" for a socket on this machine.
func (s *Sink) Far() string {
	host, port, err := s.cfg.address()
	if err != nil || strings.HasPrefix(host, "/") {
		return ""
	}
	return net.JoinHostPort(host, strconv.Itoa(int(port)))
}

// Deliver writes the entries, as many in one transaction as fit, and returns how many leading ones are there.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (n int, err error) {
	rows, bad := rowsOf(entries)
	for size := len(rows); n < len(rows); {
		batch := cut(rows[n:], size)
		done, err := s.write(ctx, batch)
		n += done
		var refused sinks.Refused
		switch {
		case err == nil:
		case errors.As(err, &refused) && len(batch) > 1 && done == 0 && !errors.As(err, new(named)):
			size = len(batch) / 2 // which of them is it?
		default:
			return n, err
		}
	}
	return n, bad
}

// rowsOf takes the leading entries apart that can be, and says what is wrong with the next one.
func rowsOf(entries []record.Entry) ([]row, error) {
	rows := make([]row, 0, len(entries))
	for _, e := range entries {
		r, err := rowOf(e)
		if err != nil {
			return rows, sinks.Refused{Err: err}
		}
		rows = append(rows, r)
	}
	return rows, nil
}

// cut takes the rows of one statement.
func cut(rows []row, size int) []row {
	bytes := 0
	for i, r := range rows[:min(size, len(rows))] {
		if bytes += len(r.entry); bytes > maxBatch && i > 0 {
			return rows[:i]
		}
	}
	return rows[:min(size, len(rows))]
}

// write writes one batch, over a new connection if there is none. One over which something failed is not used again.
func (s *Sink) write(ctx context.Context, rows []row) (n int, err error) {
	ctx, cancel := context.WithTimeout(ctx, s.cfg.Timeout.D())
	defer cancel()
	if s.link != nil && s.link.conn.IsClosed() {
		s.drop()
	}
	if s.link == nil {
		if s.link, err = s.cfg.dial(ctx); err != nil {
			return 0, err
		}
	}
	n, err = s.link.insert(ctx, s.cfg.Table, rows)
	var refused sinks.Refused
	if err = judge(err); err != nil && !errors.As(err, &refused) {
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

// Close ends the connection. What was not committed is not delivered.
func (s *Sink) Close() error {
	s.drop()
	return nil
}

// Preview shows the row that would be written for one entry: the columns, and the exact bytes.
func (c *Config) Preview(_ string, _ sinks.Env, e record.Entry) (sinks.Shown, error) {
	r, err := rowOf(e)
	if err != nil {
		return sinks.Shown{}, err
	}
	shown := sinks.Shown{To: "table " + c.Table, Body: r.entry}
	for i, v := range r.values() {
		if name := columns[i].name; name != "entry" && name != "document" {
			shown.Attributes = append(shown.Attributes, sinks.Attribute{Name: name, Value: valueText(v)})
		}
	}
	return shown, nil
}

// valueText is a value as people read it.
func valueText(v any) string {
	switch v := v.(type) {
	case *string:
		if v != nil {
			return *v
		}
	case *time.Time:
		if v != nil {
			return v.UTC().Format(time.RFC3339Nano)
		}
	case *bool:
		if v != nil {
			return strconv.FormatBool(*v)
		}
	default:
		return fmt.Sprint(v)
	}
	return "NULL"
}
