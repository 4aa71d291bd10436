package archive

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"
	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/needs"
	"weighpost/gateway/proof"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/postgres/pgtest"
)

func TestMain(m *testing.M) {
	if runAsInstance() {
		return
	}
	goleak.VerifyTestMain(m)
}

// place is a stream and a database for one test, on servers that tests share.
type place struct {
	urls     []string
	replicas int
	pg       *pgtest.Server
	name     string // of the database, the stream, and what its subjects begin with
	dir      string
	public   string // key of the co-signer
}

// newPlace makes the database and the archive's key.
func newPlace(t testing.TB, urls []string, replicas int, pg *pgtest.Server) *place {
	t.Helper()
	p := &place{urls: urls, replicas: replicas, pg: pg, dir: t.TempDir()}
	p.name = "t" + strings.ToLower(strings.NewReplacer("/", "_", "#", "_").Replace(filepath.Base(t.Name())))
	p.name = p.name[:min(len(p.name), 40)]
	p.sql(t, "postgres", "CREATE DATABASE "+p.name)
	if err := os.WriteFile(filepath.Join(p.dir, "password"), []byte(pgtest.Password), 0o600); err != nil {
		t.Fatal(err)
	}
	var err error
	if p.public, err = MakeKey(filepath.Join(p.dir, "archive.key"), "archive.seedbank.example"); err != nil {
		t.Fatal(err)
	}
	return p
}

// sql runs one statement and gives the first column of each row as text.
func (p *place) sql(t testing.TB, database, statement string, args ...any) (list []string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, fmt.Sprintf("postgres://%s:%s@%s/%s?sslmode=disable", pgtest.Keeper, strings.ReplaceAll(pgtest.Password, " ", "%20"),
		p.pg.Addr(), database))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, statement, args...)
	if err == nil {
		list, err = pgx.CollectRows(rows, func(r pgx.CollectableRow) (string, error) {
			v, err := r.Values()
			return fmt.Sprint(v[0]), err
		})
	}
	if err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
	return list
}

// file writes a configuration that believes these gateways.
func (p *place) file(t testing.TB, gateways ...*gateway) string {
	t.Helper()
	var keys strings.Builder
	keys.WriteString("# the gateways of this test\n")
	for _, g := range gateways {
		keys.WriteString(g.public + "\n")
	}
	if err := os.WriteFile(filepath.Join(p.dir, "keys"), []byte(keys.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf(`nats:
  servers: [%s]
  stream: %s
  subject_prefix: %[2]s
database:
  server: %[3]s
  database: %[2]s
  user: %[4]s
  password: file:%[5]s/password
  timeout: 5s
gateways:
  keys_file: keys
cosigner: archive.key
`, strings.Join(p.urls, ", "), p.name, p.pg.Addr(), pgtest.Keeper, p.dir)
	path := filepath.Join(p.dir, "archive.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func (p *place) config(t testing.TB, gateways ...*gateway) *Config {
	t.Helper()
	path := p.file(t, gateways...)
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	c, faults := Load(path, src)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return c
}

func quietLog() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// instance runs an instance in this process until the test ends, or stop is called.
func instance(t testing.TB, cfg *Config, more ...func(*Archive)) (stop func()) {
	t.Helper()
	a := New(cfg, quietLog())
	a.ackWait = time.Second
	for _, m := range more {
		m(a)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the instance ended: %v", err)
		}
	}
	t.Cleanup(stop)
	return stop
}

func (p *place) reader(t testing.TB, cfg *Config) *Reader {
	t.Helper()
	r, err := OpenReader(context.Background(), cfg.Database)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.Close)
	return r
}

func within(t testing.TB, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}

// until waits for a journal to be as wanted, and gives it.
func until(t testing.TB, r *Reader, origin string, limit time.Duration, what string, is func(Gateway) bool) Gateway {
	t.Helper()
	var last Gateway
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		list, err := r.Gateways(within(t, 5*time.Second))
		if err != nil {
			continue // the schema is being made, or the server is away
		}
		for _, g := range list {
			if last = g; g.Origin == origin && is(g) {
				return g
			}
		}
	}
	t.Fatalf("not within %s: %s. At last: %+v", limit, what, last)
	return last
}

func cosignedTo(n uint64) func(Gateway) bool { return func(g Gateway) bool { return g.Cosigned == n } }

func disputed(words string) func(Gateway) bool {
	return func(g Gateway) bool {
		return g.State == StateDispute && strings.Contains(strings.Join(g.Wrong, " "), words)
	}
}

// TestTheArchive has one NATS server, one PostgreSQL, and a stream and a database for each part.
func TestTheArchive(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	pg := pgtest.Start(t, pgtest.Options{})
	for _, part := range []struct {
		name string
		test func(t *testing.T, p *place)
	}{
		{"honest", honestGateways},
		{"gap", gapsWait},
		{"altered", anAlteredJournalIsFound},
		{"second", aSecondEntryUnderOneID},
		{"setback", aJournalThatWasSetBack},
		{"unknown", keysThatAreNotKnown},
		{"odd", messagesThatAreNoEntries},
		{"settled", disputesAreSettledByPeople},
		{"database", anAlteredDatabaseIsFound},
		{"lives", livesAndKeysOfARealJournal},
		{"search", searchesAndPages},
		{"hasty", acknowledgedTooEarlyLoses},
		{"accounts", accountsOfTheManualSuffice},
	} {
		t.Run(part.name, func(t *testing.T) { part.test(t, newPlace(t, servers.URLs(), 1, pg)) })
	}
}

// honestGateways: two gateways, several groups of 256 entries, checkpoints at odd sizes. All is there, verified and co-signed; what was published
// for others holds by both keys.
func honestGateways(t *testing.T, p *place) {
	north := newGateway(t, "north-lab", "7qx3a").connect(t, p.urls, p.name, p.replicas)
	south := newGateway(t, "south-lab", "7qx3a").connect(t, p.urls, p.name, p.replicas)
	cfg := p.config(t, north, south)
	cfg.Listen = needs.FreeAddress(t)
	instance(t, cfg)
	r, ctx := p.reader(t, cfg), within(t, time.Minute)
	for _, g := range []*gateway{north, south} {
		for _, n := range []int{1, 254, 1, 1, 300, 600} {
			g.deliver(ctx, t, g.weigh(t, n))
			g.head(ctx, t, g.checkpoint(t, len(g.entries)))
		}
	}
	for _, g := range []*gateway{north, south} {
		at := until(t, r, originOf(g.site, g.incarnation), 30*time.Second, "all is co-signed", cosignedTo(1157))
		if at.State != StateVerified || len(at.Wrong) > 0 || at.Held != 1157 || at.Verified != 1157 {
			t.Errorf("%+v", at)
		}
		p.whole(t, g)
		p.published(t, g, at)
	}
	if got := fetch(t, "http://"+cfg.Listen+"/healthz"); got != "ok\n" {
		t.Errorf("%q", got)
	}
	numbers := fetch(t, "http://"+cfg.Listen+"/metrics")
	for _, want := range []string{"weighpost_archive_entries_total 2314\n", `weighpost_archive_journals{state="verified"} 2`, `weighpost_archive_journals{state="in dispute"} 0`} {
		if !strings.Contains(numbers, want) {
			t.Errorf("the numbers for monitoring lack %s", want)
		}
	}
}

func fetch(t testing.TB, address string) string {
	t.Helper()
	defer http.DefaultClient.CloseIdleConnections()
	answer, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(body)
}

// whole holds the rows against what a gateway has published.
func (p *place) whole(t testing.TB, g *gateway) {
	t.Helper()
	var all bytes.Buffer
	for _, e := range g.entries {
		all.Write(e.JSON)
		all.WriteByte('\n')
	}
	got := p.sql(t, p.name, `SELECT convert_from(e.entry, 'UTF8') FROM archive.entries e JOIN archive.journals j USING (journal)
		WHERE j.site = $1 AND j.incarnation = $2 ORDER BY seq`, g.site, g.incarnation)
	if strings.Join(got, "\n")+"\n" != all.String() {
		t.Errorf("%s: the archive has %d entries, and %d were published, or their bytes differ", g.site, len(got), len(g.entries))
	}
	for _, wrong := range p.sql(t, p.name, `SELECT id FROM archive.entries WHERE sha256('\x00'::bytea || entry) <> leaf`) {
		t.Errorf("the leaf hash of %s is not that of its bytes", wrong)
	}
}

// published reads the co-signed checkpoint as an auditor gets it, from the stream, and holds it against both keys and the gateway's entries.
func (p *place) published(t testing.TB, g *gateway, at Gateway) {
	t.Helper()
	conn, err := natsgo.Connect(p.urls[0])
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	stream, err := js.Stream(within(t, 5*time.Second), p.name)
	if err != nil {
		t.Fatal(err)
	}
	var signed []byte
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if m, err := stream.GetLastMsgForSubject(within(t, 5*time.Second), p.name+"."+g.site+".cosigned"); err == nil {
			signed = m.Data
			if string(signed) == at.Checkpoint {
				break
			}
		}
	}
	key, err := note.NewVerifier(g.public)
	if err != nil {
		t.Fatal(err)
	}
	own, err := proof.ParseCosignerKey(p.public)
	if err != nil {
		t.Fatal(err)
	}
	c, err := proof.Open(signed, key)
	if err != nil || c.Size != at.Cosigned {
		t.Errorf("%v: %d", err, c.Size)
	}
	other, when, err := proof.Cosigned(signed, own)
	if err != nil || other != c || time.Since(when) > time.Minute {
		t.Errorf("%v: %+v at %s", err, other, when)
	}
	if want, err := proof.Open(g.checkpoint(t, int(c.Size)), key); err != nil || want != c {
		t.Errorf("%v: the root is %s, and should be %s", err, c.Root, want.Root)
	}
}
