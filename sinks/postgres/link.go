package postgres

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"weighpost/sinks"
)

// link is one session, made ready.
type link struct {
	conn   *pgx.Conn
	socket *socket
	insertSQL,
	compareSQL string
}

// socket is the network connection below a session, kept so that it can be ended at once: the library would first talk to a server that
// does not answer.
type socket struct {
	mu     sync.Mutex
	conns  []net.Conn
	closed bool
}

func (s *socket) dial(ctx context.Context, network, address string) (net.Conn, error) {
	c, err := (&net.Dialer{KeepAlive: 15 * time.Second}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		c.Close()
		return nil, net.ErrClosed
	}
	s.conns = append(s.conns, c)
	return c, nil
}

func (s *socket) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	for _, c := range s.conns {
		c.Close()
	}
}

// dial makes a session that keeps what it acknowledges, and looks at the table.
func (c *Config) dial(ctx context.Context) (*link, error) {
	l := &link{socket: &socket{}, insertSQL: insertSQL(c.Table), compareSQL: compareSQL(c.Table)}
	options, err := c.Options(l.socket.dial)
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	l.conn, err = pgx.ConnectConfig(ctx, options)
	if err != nil {
		l.socket.close()
		return nil, judge(err)
	}
	if err = c.Durable(ctx, l.conn); err == nil {
		err = c.prepare(ctx, l.conn)
	}
	if err != nil {
		l.close()
		return nil, judge(err)
	}
	return l, nil
}

// close ends the session, and waits for what the library does about it.
func (l *link) close() {
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	_ = l.conn.Close(ctx) // a farewell; it may be gone
	l.socket.close()
	select {
	case <-l.conn.PgConn().CleanupDone():
	case <-time.After(time.Second):
	}
}

func names() string {
	var list []string
	for _, c := range columns {
		list = append(list, c.name)
	}
	return strings.Join(list, ", ")
}

// insertSQL hands over a batch as one array for each column, so that it is one statement and one transaction of its own.
func insertSQL(table string) string {
	var arrays, values []string
	for i, c := range columns {
		kind := c.kind
		if kind == "numeric" || kind == "jsonb" {
			kind = "text"
		}
		arrays = append(arrays, fmt.Sprintf("$%d::%s[]", i+1, kind))
		values = append(values, "n."+c.name+"::"+c.kind)
	}
	return "INSERT INTO " + table + " (" + names() + ") SELECT " + strings.Join(values, ", ") + " FROM unnest(" + strings.Join(arrays, ", ") +
		") WITH ORDINALITY AS n(" + names() + ", place) ORDER BY n.place ON CONFLICT (id) DO NOTHING"
}

// compareSQL finds the first entry of a batch whose row is not there, or has other bytes.
func compareSQL(table string) string {
	return "SELECT n.place, t.id IS NOT NULL FROM unnest($1::text[], $2::bytea[]) WITH ORDINALITY AS n(id, entry, place) LEFT JOIN " + table +
		" t ON t.id = n.id WHERE t.entry IS DISTINCT FROM n.entry ORDER BY n.place LIMIT 1"
}

// insert writes the rows of one batch and returns how many leading ones are there.
func (l *link) insert(ctx context.Context, table string, rows []row) (int, error) {
	tag, err := l.conn.Exec(ctx, l.insertSQL, arrays(rows)...)
	if err != nil {
		return 0, err
	}
	if tag.RowsAffected() == int64(len(rows)) {
		return len(rows), nil
	}
	ids, entries := make([]string, len(rows)), make([][]byte, len(rows))
	for i, r := range rows {
		ids[i], entries[i] = r.id, r.entry
	}
	var place int
	var there bool
	switch err := l.conn.QueryRow(ctx, l.compareSQL, ids, entries).Scan(&place, &there); {
	case errors.Is(err, pgx.ErrNoRows):
		return len(rows), nil
	case err != nil:
		return 0, err
	case there:
		return place - 1, sinks.Refused{Err: named{fmt.Errorf("the table %s has another entry under the id %s, which is not replaced", table, ids[place-1])}}
	}
	return place - 1, sinks.Refused{Err: named{fmt.Errorf("the row of entry %s is not in the table %s after it was inserted: a trigger or a rule there drops it",
		ids[place-1], table)}}
}

// named is a refusal of which it is known whose it is.
type named struct{ error }

func (r row) values() []any {
	return []any{r.id, r.seq, r.kind, r.site, r.balance, r.utc, r.clock, r.digits, r.value, r.unit, r.valueKind, r.stability,
		r.sample, r.person, r.method, r.run, r.lot,
		r.verdicts, r.passed, r.late, r.json, r.entry}
}

// arrays turns rows into one array for each column.
func arrays(rows []row) []any {
	list, all := make([]any, len(columns)), make([][]any, len(rows))
	for i, r := range rows {
		all[i] = r.values()
	}
	for i, v := range (row{}).values() {
		switch v.(type) {
		case string:
			list[i] = collect[string](all, i)
		case int64:
			list[i] = collect[int64](all, i)
		case *string:
			list[i] = collect[*string](all, i)
		case *time.Time:
			list[i] = collect[*time.Time](all, i)
		case *bool:
			list[i] = collect[*bool](all, i)
		case bool:
			list[i] = collect[bool](all, i)
		case []byte:
			list[i] = collect[[]byte](all, i)
		}
	}
	return list
}

func collect[T any](all [][]any, i int) []T {
	list := make([]T, len(all))
	for k, values := range all {
		list[k], _ = values[i].(T)
	}
	return list
}
