package archive

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/nats"
	"weighpost/sinks/nats/natstest"
)

// accountsOfTheManualSuffice: gateways and the archive with the rights at NATS that the page "sites" of the manual gives them, and no others; a
// reader of the database that may only read. A gateway cannot speak for another.
func accountsOfTheManualSuffice(t *testing.T, p *place) {
	servers := natstest.Start(t, natstest.Options{Authorization: fmt.Sprintf(`users: [
		{user: keeper, password: k},
		{user: north-lab, password: n, permissions: {publish: ["%[1]s.north-lab.>", "$JS.API.STREAM.INFO.%[1]s"], subscribe: "_INBOX.>"}},
		{user: archive, password: a, permissions: {publish: ["%[1]s.*.cosigned", "$JS.API.CONSUMER.>", "$JS.ACK.%[1]s.archive.>"], subscribe: "_INBOX.>"}}]`, p.name)})
	p.urls = servers.URLs()
	conn, err := natsgo.Connect(p.urls[0], natsgo.UserInfo("keeper", "k"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	_, err = js.CreateStream(within(t, 10*time.Second), jetstream.StreamConfig{Name: p.name, Subjects: []string{p.name + ".>"}, Storage: jetstream.FileStorage})
	if err != nil {
		t.Fatal(err)
	}
	g := newGateway(t, "north-lab", "7qx3a")
	g.sink = sinkAs(t, p, "north-lab", "n", "north-lab")
	cfg, ctx := p.config(t, g), within(t, time.Minute)
	cfg.NATS.Username, cfg.NATS.Password = "archive", secretOf(t, "a")
	instance(t, cfg)
	g.deliver(ctx, t, g.weigh(t, 5))
	g.head(ctx, t, g.checkpoint(t, 5))
	p.readOnly(t)
	cfg.Database.User, cfg.Database.Password = "auditor", secretOf(t, "au")
	r := p.reader(t, cfg)
	at := until(t, r, originOf("north-lab", "7qx3a"), 20*time.Second, "5 are co-signed", cosignedTo(5))
	stream, err := js.Stream(ctx, p.name)
	if err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if m, err := stream.GetLastMsgForSubject(ctx, p.name+".north-lab.cosigned"); err == nil && bytes.Equal(m.Data, []byte(at.Checkpoint)) {
			break
		} else if time.Now().After(end) {
			t.Fatalf("the co-signed checkpoint is not in the stream: %v", err)
		}
	}
	if _, err := sinkAs(t, p, "north-lab", "n", "south-lab").Deliver(ctx, newGateway(t, "south-lab", "bbbbb").weigh(t, 1)); err == nil {
		t.Error("a gateway publishes as another site")
	}
	if _, err := r.pool.Exec(ctx, "DELETE FROM archive.entries"); err == nil {
		t.Error("a reader deletes entries")
	}
}

// sinkAs opens a sink of a site under an account.
func sinkAs(t testing.TB, p *place, user, password, site string) *nats.Sink {
	t.Helper()
	c := nats.Default()
	c.Servers, c.Stream, c.Replicas, c.Prefix, c.Username, c.Password = p.urls, p.name, 1, p.name, user, secretOf(t, password)
	sink, err := nats.New(*c, "archive", sinks.Env{Site: site})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = sink.Close() })
	return sink
}

func secretOf(t testing.TB, text string) strict.Secret {
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

// readOnly makes the role auditor, once the tables are there, with the statements that the manual gives.
func (p *place) readOnly(t testing.TB) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); p.sql(t, p.name, "SELECT to_regclass('archive.journals') IS NOT NULL")[0] != "true"; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the tables are not made")
		}
	}
	for _, statement := range []string{"CREATE ROLE auditor LOGIN PASSWORD 'au'", "GRANT USAGE ON SCHEMA archive TO auditor",
		"GRANT SELECT ON ALL TABLES IN SCHEMA archive TO auditor"} {
		p.sql(t, p.name, statement)
	}
}
