package fleet

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"weighpost/gateway/archive"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/postgres/pgtest"
)

// centre is the other end: a real PostgreSQL, and as many instances of the archive as are started.
type centre struct {
	cluster *natstest.Cluster
	pg      *pgtest.Server
	dir     string
	public  string // key that co-signs
}

func newCentre(t testing.TB, cluster *natstest.Cluster) *centre {
	t.Helper()
	c := &centre{cluster: cluster, pg: pgtest.Start(t, pgtest.Options{}), dir: t.TempDir()}
	if err := os.WriteFile(filepath.Join(c.dir, "password"), []byte(pgtest.Password), 0o600); err != nil {
		t.Fatal(err)
	}
	var err error
	if c.public, err = archive.MakeKey(filepath.Join(c.dir, "archive.key"), "archive.seedbank.example"); err != nil {
		t.Fatal(err)
	}
	return c
}

// sql runs one statement and gives its first column of its first row.
func (c *centre) sql(t testing.TB, database, statement string) (v any) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	conn, err := pgx.Connect(ctx, fmt.Sprintf("postgres://%s:%s@%s/%s?sslmode=disable", pgtest.Keeper, strings.ReplaceAll(pgtest.Password, " ", "%20"),
		c.pg.Addr(), database))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, statement)
	if err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
	for rows.Next() {
		values, err := rows.Values()
		if err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
		v = values[0]
	}
	if err := rows.Err(); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
	return v
}

// config makes a database of a name, and a configuration with it that believes these gateways.
func (c *centre) config(t testing.TB, name string, members []*member) *archive.Config {
	t.Helper()
	c.sql(t, "postgres", "CREATE DATABASE "+name)
	var keys strings.Builder
	for _, m := range members {
		keys.WriteString(m.public + "\n")
	}
	if err := os.WriteFile(filepath.Join(c.dir, "keys"), []byte(keys.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf(`nats: {servers: ["%s"], consumer: %s}
database: {server: "%s", database: %[2]s, user: %[4]s, password: file:%[5]s/password, timeout: 20s}
gateways: {keys_file: keys}
cosigner: archive.key
`, c.cluster.URLs()[0], name, c.pg.Addr(), pgtest.Keeper, c.dir)
	cfg, faults := archive.Load(filepath.Join(c.dir, "archive.yaml"), []byte(text))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return cfg
}

// instances runs some of the archive until stop is called.
func instances(t testing.TB, n int, cfg *archive.Config) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	for range n {
		running.Go(func() {
			if err := archive.New(cfg, slog.New(slog.NewTextHandler(io.Discard, nil))).Run(ctx); err != nil {
				t.Errorf("the instance ended: %v", err)
			}
		})
	}
	stop = sync.OnceFunc(func() { cancel(); running.Wait() })
	t.Cleanup(stop)
	return stop
}

// cosigned waits until all that the gateways recorded is in the archive and co-signed.
func (c *centre) cosigned(t testing.TB, database string, members []*member, limit time.Duration) {
	t.Helper()
	var all int64
	for _, m := range members {
		all += int64(m.Head())
	}
	for end := time.Now().Add(limit); ; time.Sleep(100 * time.Millisecond) {
		if there := c.sql(t, database, "SELECT to_regclass('archive.cosignatures') IS NOT NULL"); there == true {
			if c.sql(t, database, "SELECT coalesce(sum(cosigned), 0)::bigint FROM archive.journals") == all {
				return
			}
		}
		if time.Now().After(end) {
			t.Fatalf("after %s %v of %d entries are co-signed", limit, c.sql(t, database, "SELECT sum(cosigned)::bigint FROM archive.journals"), all)
		}
	}
}
