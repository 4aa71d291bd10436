package everywhere

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/jackc/pgx/v5"
	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/encoding/protowire"

	"weighpost/gateway/port/pty"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/postgres/pgtest"
	"weighpost/sinks/sftp/sshd"
	"weighpost/sinks/sinktest/toxic"
	"weighpost/sinks/smb/samba"
)

// secret keeps a text in a file that only its owner reads, and gives the place as a configuration names it.
func (r *rig) secret(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(r.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return "file:" + path
}

// folder makes one.
func (r *rig) folder(t *testing.T, name string) string {
	t.Helper()
	path := filepath.Join(r.dir, name)
	if err := os.Mkdir(path, 0o755); err != nil {
		t.Fatal(err)
	}
	return path
}

// everything starts all servers, and lists the destinations.
func (r *rig) everything(t *testing.T) {
	t.Helper()
	r.brokers(t)
	r.folders(t)
	r.share(t)
	r.archive(t)
	r.stream(t)
	r.database(t)
	r.programs(t)
}

// brokers is one mosquitto, which is delivered to in both versions and as Sparkplug, each by a network of its own.
func (r *rig) brokers(t *testing.T) {
	t.Helper()
	broker := mosquitto.Start(t, mosquitto.Options{Extra: "max_queued_messages 0\nmax_inflight_messages 100"})
	r.broker = broker
	for _, version := range []string{"3.1.1", "5"} {
		k, net := newTaken(), toxic.Start(t, broker.Addr())
		prefix := "v" + version[:1]
		r.subscribe(t, broker, prefix+"/seed-bank/+/weighing", func(m paho.Message) { k.take(m.Payload()) })
		config := fmt.Sprintf("kind: mqtt, broker: \"mqtt://%s\", version: %q, topic_prefix: %s, keep_alive: 2s", net.Addr(), version, prefix)
		if version == "3.1.1" {
			config += ", live: true"
			r.subscribe(t, broker, prefix+"/seed-bank/+/live", r.shown)
		}
		r.places = append(r.places, &place{name: "mqtt-" + prefix, config: config, net: net, count: k.count, read: k.read, ordered: true})
	}
	k, net := newTaken(), toxic.Start(t, broker.Addr())
	r.subscribe(t, broker, "spBv1.0/seeds/DDATA/#", func(m paho.Message) { k.takeMetrics(m.Payload()) })
	r.places = append(r.places, &place{name: "sparkplug", live: true, net: net, count: k.count, read: k.read, ordered: true,
		config: fmt.Sprintf("kind: sparkplug, broker: \"mqtt://%s\", group: seeds, keep_alive: 2s, entries: [weighing]", net.Addr())})
}

// subscribe is an independent client of the broker itself, with no proxy between.
func (r *rig) subscribe(t *testing.T, broker *mosquitto.Broker, topic string, do func(paho.Message)) {
	t.Helper()
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + broker.Addr()).SetClientID("far-side " + topic).SetCleanSession(false).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { do(m) }))
	for _, step := range []func() paho.Token{client.Connect, func() paho.Token { return client.Subscribe(topic, 1, nil) }} {
		if token := step(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatalf("the test's own subscriber: %v", token.Error())
		}
	}
	t.Cleanup(func() { client.Disconnect(100) })
}

// metricsOf gives the metrics of a message that are texts, by their names: fields 2 (metrics), 1 (name) and 15 (string_value) of Sparkplug B
// 3.0.0's schema, read by the module for protocol buffers.
func metricsOf(b []byte) map[string]string {
	found := map[string]string{}
	each(b, func(field protowire.Number, metric []byte) {
		if field != 2 {
			return
		}
		var name, text string
		each(metric, func(field protowire.Number, v []byte) {
			switch field {
			case 1:
				name = string(v)
			case 15:
				text = string(v)
			}
		})
		found[name] = text
	})
	return found
}

// takeMetrics keeps the id and the digits of a DDATA message.
func (k *taken) takeMetrics(b []byte) {
	found := metricsOf(b)
	k.mu.Lock()
	defer k.mu.Unlock()
	id := found["Weighing/Id"]
	k.list, k.ids[id] = append(k.list, arrival{id: id, digits: found["Weighing/Digits"]}), true
}

// each gives the fields of a message that have a length.
func each(b []byte, do func(protowire.Number, []byte)) {
	for len(b) > 0 {
		field, kind, n := protowire.ConsumeTag(b)
		if n < 0 {
			return
		}
		b = b[n:]
		if kind == protowire.BytesType {
			v, _ := protowire.ConsumeBytes(b)
			do(field, v)
		}
		if n = protowire.ConsumeFieldValue(field, kind, b); n < 0 {
			return
		}
		b = b[n:]
	}
}

// closed is how many entries a closed batch has here.
const closed = 10

// folders are three local ones: a file for each entry, lines that are added to files, and closed files.
func (r *rig) folders(t *testing.T) {
	t.Helper()
	each, lines, whole := r.folder(t, "each"), r.folder(t, "lines"), r.folder(t, "closed")
	one, ten := watch(r.looking, &r.all, each, ".json", 1), watch(r.looking, &r.all, whole, ".ndjson", closed)
	r.places = append(r.places,
		&place{name: "files-each", config: fmt.Sprintf("kind: files, folder: %q, manifest: true", each), count: one.count, read: one.read, once: true},
		&place{name: "files-lines", config: fmt.Sprintf("kind: files, folder: %q, format: ndjson, name: \"lines-{balance}.ndjson\"", lines),
			count: grownCount(lines), read: grown(lines), ordered: true, once: true},
		&place{name: "files-closed", config: fmt.Sprintf("kind: files, folder: %q, format: ndjson, name: \"{site}-{batch}.ndjson\", closed: %d, manifest: true", whole, closed),
			count: ten.count, read: ten.read, ordered: true, once: true, short: closed - 1})
}

// share is a Samba: a file for each entry.
func (r *rig) share(t *testing.T) {
	t.Helper()
	server := samba.Start(t, "", "", "")
	net := toxic.Start(t, server.Addr)
	w := watch(r.looking, &r.all, server.Dir, ".json", 1)
	r.places = append(r.places, &place{name: "smb", net: net, jolt: func(t *testing.T) { server.KillServing(t) }, count: w.count, read: w.read, once: true,
		config: fmt.Sprintf("kind: smb, server: %q, share: %s, user: %s, password: %q, encrypt: false, timeout: 2s, manifest: true",
			net.Addr(), samba.Share, samba.User, r.secret(t, "smb", samba.Password))})
}

// archive is an sshd: closed files.
func (r *rig) archive(t *testing.T) {
	t.Helper()
	server := sshd.Start(t, "", "")
	net := toxic.Start(t, server.Addr)
	w := watch(r.looking, &r.all, server.Dir, ".ndjson", closed)
	r.places = append(r.places, &place{name: "sftp", net: net, jolt: func(t *testing.T) { server.KillServing(t) }, count: w.count, read: w.read, ordered: true, once: true, short: closed - 1,
		config: fmt.Sprintf("kind: sftp, server: %q, path: %q, user: %s, private_key: \"file:%s\", host_keys: [%q], timeout: 2s, format: ndjson, name: \"{site}-{batch}.ndjson\", closed: %d, manifest: true",
			net.Addr(), server.Dir, server.User, server.Key, server.HostKey, closed)})
}

// stream is one NATS server with JetStream.
func (r *rig) stream(t *testing.T) {
	t.Helper()
	server := natstest.Start(t, natstest.Options{})
	net := toxic.Start(t, server.Addr(0))
	open := func(t *testing.T) (jetstream.Stream, func()) {
		conn, err := natsgo.Connect("nats://" + server.Addr(0))
		if err != nil {
			t.Fatal(err)
		}
		js, err := jetstream.New(conn)
		if err != nil {
			t.Fatal(err)
		}
		s, err := js.Stream(t.Context(), "WEIGHPOST")
		if err != nil {
			conn.Close()
			return nil, func() {}
		}
		return s, conn.Close
	}
	count := func(t *testing.T) (n int) {
		s, end := open(t)
		defer end()
		if s == nil { // it is not made yet
			return 0
		}
		info, err := s.Info(t.Context(), jetstream.WithSubjectFilter("weighpost.seed-bank.*.weighing"))
		if err != nil {
			t.Fatal(err)
		}
		for _, messages := range info.State.Subjects {
			n += int(messages)
		}
		return n
	}
	read := func(t *testing.T) []arrival {
		s, end := open(t)
		defer end()
		k := newTaken()
		for n := uint64(1); s != nil && n <= s.CachedInfo().State.LastSeq; n++ {
			m, err := s.GetMsg(t.Context(), n)
			if err != nil {
				t.Fatalf("message %d of the stream: %v", n, err)
			}
			if !strings.HasSuffix(m.Subject, ".checkpoint") {
				k.take(m.Data)
			}
		}
		return k.read(t)
	}
	r.places = append(r.places, &place{name: "nats", net: net, ordered: true, read: read, count: count,
		jolt:   func(t *testing.T) { server.Kill(t, 0); server.Run(t, 0) },
		config: fmt.Sprintf("kind: nats, servers: [\"nats://%s\"], create: true, replicas: 1, timeout: 2s, subject_prefix: weighpost, subjects: [\"weighpost.seed-bank.>\"]", net.Addr())})
}

// database is a PostgreSQL.
func (r *rig) database(t *testing.T) {
	t.Helper()
	server := pgtest.Start(t, pgtest.Options{})
	net := toxic.Start(t, server.Addr())
	ask := func(t *testing.T, sql string, each func(pgx.Rows) error) {
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		defer cancel()
		conn, err := pgx.Connect(ctx, fmt.Sprintf("postgres://%s@%s/postgres?sslmode=disable&password=poppy%%20seed", pgtest.Keeper, server.Addr()))
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close(ctx)
		rows, err := conn.Query(ctx, sql)
		if err != nil {
			return // the table is not there yet
		}
		defer rows.Close()
		for rows.Next() {
			if err := each(rows); err != nil {
				t.Fatal(err)
			}
		}
	}
	r.places = append(r.places, &place{name: "postgres", net: net, ordered: true, once: true, jolt: func(t *testing.T) { server.Kill(t); server.Run(t) },
		count: func(t *testing.T) (n int) {
			ask(t, "SELECT count(*) FROM weighpost_entries", func(rows pgx.Rows) error { return rows.Scan(&n) })
			return n
		},
		read: func(t *testing.T) (list []arrival) {
			ask(t, "SELECT id, digits FROM weighpost_entries ORDER BY arrival", func(rows pgx.Rows) error {
				var a arrival
				err := rows.Scan(&a.id, &a.digits)
				list = append(list, a)
				return err
			})
			return list
		},
		config: fmt.Sprintf("kind: postgres, server: %q, database: postgres, user: %s, password: %q, create: true, timeout: 2s",
			net.Addr(), pgtest.Keeper, r.secret(t, "sql", pgtest.Password))})
}

// programs are the test's own: a web server, a program over TCP, one at a serial port, and a printer. A raw printer acknowledges by
// closing in good order, which a proxy does for a printer that has nothing: there is none before it.
func (r *rig) programs(t *testing.T) {
	t.Helper()
	add := func(name string, net *toxic.Proxy, k *taken, config string) {
		r.places = append(r.places, &place{name: name, net: net, count: k.count, read: k.read, ordered: true, config: config})
	}
	site := &receiver{taken: newTaken(), lot: r.lot}
	net := toxic.Start(t, web(t, site))
	add("http", net, site.taken, fmt.Sprintf("kind: http, url: \"http://%s/weighings\", timeout: 2s, proxy: none", net.Addr()))

	reads := newTaken()
	net = toxic.Start(t, listen(t, program(reads, r.lot)))
	add("tcp-out", net, reads, fmt.Sprintf("kind: tcp-out, dial: %q, acknowledge: \"\\x06\", acknowledge_within: 1s, write_timeout: 1s", net.Addr()))

	wired := newTaken()
	cord := pty.NewCord(filepath.Join(r.dir, "ttyLAB"))
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	r.cords = append(r.cords, cord)
	oldProgram(r.looking, &r.all, cord, wired)
	add("serial-out", nil, wired, fmt.Sprintf("kind: serial-out, port: {address: %q}, acknowledge: \"\\x06\", acknowledge_within: 1s", cord.Path()))

	paper := newTaken()
	add("print", nil, paper, fmt.Sprintf("kind: print, way: raw, address: %q, timeout: 2s", listen(t, printer(paper))))
}
