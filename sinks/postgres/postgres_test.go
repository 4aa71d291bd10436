package postgres

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/postgres/pgtest"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, toxic.Left()...) }

const testSite = "north-seed-bank"

func secret(t testing.TB, text string) strict.Secret {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := strict.SecretFrom("file:" + path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// config is a sink's configuration for a test server, as its keeper.
func config(t testing.TB, addr string) Config {
	c := Default()
	c.Server, c.Database, c.User, c.Create, c.Password = addr, "postgres", pgtest.Keeper, true, secret(t, pgtest.Password)
	return *c
}

func openSink(t testing.TB, c Config) *Sink {
	t.Helper()
	s, err := New(c, "sql", sinks.Env{Site: testSite})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func within(t testing.TB, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}

// deliverAll delivers as package deliver does: from where the sink stopped, until all is accepted.
func deliverAll(ctx context.Context, t testing.TB, s sinks.Sink, entries []record.Entry) {
	t.Helper()
	for len(entries) > 0 {
		n, err := s.Deliver(ctx, entries[:min(len(entries), 100)])
		entries = entries[n:]
		if err == nil {
			continue
		}
		if errors.As(err, new(sinks.Refused)) || errors.As(err, new(sinks.Unusable)) {
			t.Errorf("a passing fault is told as a lasting one: %v", err)
			return
		}
		select {
		case <-ctx.Done():
			t.Errorf("%d entries are still waiting: %v", len(entries), err)
			return
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// ask is another program: a session of its own for one query.
func ask(t testing.TB, addr, sql string, args ...any) [][]any {
	t.Helper()
	list, err := try(addr, pgtest.Keeper, pgtest.Password, sql, args...)
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return list
}

func try(addr, user, password, sql string, args ...any) ([][]any, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	host, port, _ := strings.Cut(addr, ":")
	conn, err := pgx.Connect(ctx, fmt.Sprintf("host=%s port=%s user=%s password='%s' dbname=postgres sslmode=disable", host, port, user, password))
	if err != nil {
		return nil, err
	}
	defer conn.Close(ctx)
	if len(args) == 0 && !strings.HasPrefix(sql, "SELECT") { // several statements
		_, err := conn.PgConn().Exec(ctx, sql).ReadAll()
		return nil, err
	}
	rows, err := conn.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(r pgx.CollectableRow) ([]any, error) { return r.Values() })
}

func arrivals(t testing.TB, addr, table string) (list []sinktest.Arrival) {
	rows, err := try(addr, pgtest.Keeper, pgtest.Password, "SELECT id, entry FROM "+table+" ORDER BY arrival")
	if err != nil && !strings.Contains(err.Error(), "42P01") { // not made yet
		t.Fatal(err)
	}
	for _, r := range rows {
		list = append(list, sinktest.Arrival{Name: r[0].(string), Body: r[1].([]byte)})
	}
	return list
}

// verdict says what of the entries is not in the table, and what arrived behind a later one of its balance. What was altered or never sent
// fails the test. Nothing can be there twice.
func verdict(t testing.TB, addr, table string, sent []record.Entry) (lost, disorder int) {
	t.Helper()
	want := map[string]record.Entry{}
	for _, e := range sent {
		want[e.ID] = e
	}
	newest := map[string]uint64{}
	got := arrivals(t, addr, table)
	for _, a := range got {
		e, there := want[a.Name]
		if !there || !bytes.Equal(e.JSON, a.Body) {
			t.Errorf("%s arrived altered, or was never sent", a.Name)
		}
		if e.Seq < newest[e.Balance] {
			disorder++
		}
		newest[e.Balance] = max(newest[e.Balance], e.Seq)
	}
	return len(sent) - len(got), disorder
}

func TestPromises(t *testing.T) {
	server := pgtest.Start(t, pgtest.Options{})
	ask(t, server.Addr(), "CREATE ROLE weighpost LOGIN PASSWORD 'flax'; CREATE SCHEMA lab; GRANT USAGE ON SCHEMA lab TO weighpost")
	tables := 0
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		tables++
		between := toxic.Start(t, server.Addr())
		c := config(t, between.Addr())
		c.User, c.Password, c.Create, c.Table = "weighpost", secret(t, "flax"), false, fmt.Sprintf("lab.t%d", tables)
		ask(t, server.Addr(), c.DDL()+"GRANT INSERT, SELECT ON "+c.Table+" TO weighpost")
		thaw := func() {}
		return sinktest.Harness{
			Open: func() (sinks.Sink, error) { return New(c, "sql", sinks.Env{Site: testSite}) },
			Received: func() []sinktest.Arrival {
				list := arrivals(t, server.Addr(), c.Table)
				for i := range list {
					list[i].Name = strconv.QuoteToASCII(list[i].Name) // an id is data here, and no name of anything
				}
				return list
			},
			Break: between.Down,
			Mend:  func() { between.Up(t) },
			Refuse: func(id string) {
				ask(t, server.Addr(), "ALTER TABLE "+c.Table+" ADD CONSTRAINT not_that CHECK (id <> '"+id+"')")
			},
			Deny: func(deny bool) {
				if deny {
					ask(t, server.Addr(), "REVOKE INSERT ON "+c.Table+" FROM weighpost")
				} else {
					ask(t, server.Addr(), "GRANT INSERT ON "+c.Table+" TO weighpost")
				}
			},
			Hang: func(hang bool) {
				if thaw(); hang {
					thaw = between.Add(t, "timeout", "upstream", `{"timeout": 0}`)
				}
			},
			LoseAnswer: func() {
				mend := between.Add(t, "limit_data", "downstream", `{"bytes": 0}`)
				time.AfterFunc(300*time.Millisecond, mend)
			},
			Once: true,
		}
	})
}
