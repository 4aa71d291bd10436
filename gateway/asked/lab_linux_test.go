package asked

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.uber.org/goleak"

	"weighpost/gateway"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/config"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/sinks/mqtt/mosquitto"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long something is waited for, on a machine that does much else.
const patience = 60 * time.Second

const setUp = `
site: seed-bank
journal: {folder: %[1]s/journal, space: {reserve: 64 KiB}}
page: {listen: "127.0.0.1:0"}
requests: {folder: %[1]s/folder, every: 200ms}
balances:
- id: b-1
  readability: 0.001 g
  capacity: 200 g
  port: {address: "tcp://%[2]s", dial_timeout: 1s}
  layout: line.yaml
sinks:
- {id: broker, kind: mqtt, broker: "%[3]s", requests: true, requests_runs: true, entries: [request-changed, weighing, run-begun, run-step, run-ended], retry_min: 100ms, retry_max: 500ms}
- {id: web, kind: http, url: "%[4]s/plain", entries: [request-changed], retry_min: 100ms, retry_max: 500ms}
- {id: events, kind: http, url: "%[4]s/events", format: cloudevents, cloudevents: {source: "https://seed-bank.example/lab", type_prefix: example.seed-bank}, entries: [request-changed], retry_min: 100ms, retry_max: 500ms}
- {id: share, kind: files, folder: %[1]s/share, format: ndjson, entries: [request-changed], retry_min: 100ms, retry_max: 500ms}
`

const dryMass = `procedure: dry-mass
title: Mass of a dried portion
about: samples
most: 3
parameters: [{name: portion, unit: g, limits: {at_least: 1 g, at_most: 50 g}}]
balances: {fine: {readability: 1 mg}}
blocks: [{name: each, over: items}]
steps:
- {step: which, do: identify, what: sample, in: each}
- {step: mass, do: weigh, in: each, on: fine, minimum: none, limits: {at_most: portion, from: what was ordered}, outside: note}
results: [mass]
`

// ofRuns are the kinds of entry that tell of what happens in a run.
var ofRuns = []string{"weighing", "run-begun", "run-step", "run-ended"}

// lab is a daemon with a balance, and a lab system that asks it for runs.
type lab struct {
	t       *testing.T
	dir     string
	cfg     string
	g       *gateway.Gateway
	cable   chan net.Conn
	line    net.Conn
	broker  *mosquitto.Broker
	client  paho.Client
	key     string
	mu      sync.Mutex
	came    map[string][][]byte // over each way
	answers map[string]json.RawMessage
}

func newLab(t *testing.T) *lab {
	t.Helper()
	// A broker that is killed knows its subscribers afterwards only where it has written them down: else what comes before they are back is nobody's.
	options := mosquitto.Options{Extra: "autosave_interval 1\nautosave_on_changes true"}
	l := &lab{t: t, dir: t.TempDir(), cable: make(chan net.Conn, 8), broker: mosquitto.Start(t, options), came: map[string][][]byte{},
		answers: map[string]json.RawMessage{}}
	balance := l.listens()
	for _, dir := range []string{"folder", "share"} {
		if err := os.Mkdir(filepath.Join(l.dir, dir), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	layout := "line: \"W {weight} {unit} {stability}\"\nstability: {\"S\": stable, \"M\": unstable}\n"
	if err := os.WriteFile(filepath.Join(l.dir, "line.yaml"), []byte(layout), 0o600); err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(http.HandlerFunc(l.receive))
	t.Cleanup(web.Close)
	l.cfg = fmt.Sprintf(setUp, l.dir, balance, l.broker.URL(), web.URL)
	l.connect()
	l.start()
	l.account()
	l.adopt()
	return l
}

// listens is the balance's end of the cable.
func (l *lab) listens() net.Addr {
	at, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		l.t.Fatal(err)
	}
	l.t.Cleanup(func() { at.Close() })
	go func() {
		for {
			c, err := at.Accept()
			if err != nil {
				return
			}
			l.cable <- c
		}
	}()
	return at.Addr()
}

// start starts the daemon, on what the one before left.
func (l *lab) start() {
	l.t.Helper()
	cfg, faults := config.Load(filepath.Join(l.dir, "weighpost.yaml"), []byte(l.cfg))
	if len(faults) > 0 {
		l.t.Fatal(faults)
	}
	l.g = gateway.New(cfg, gateway.Options{Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)})
	if err := l.g.Start(l.t.Context()); err != nil {
		l.t.Fatal(err)
	}
	g := l.g
	l.t.Cleanup(func() { l.end(g) })
	l.line = <-l.cable
}

func (l *lab) stop() {
	l.end(l.g)
	l.line.Close()
}

func (l *lab) end(g *gateway.Gateway) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if err := g.Stop(ctx); err != nil {
		l.t.Error(err)
	}
	http.DefaultClient.CloseIdleConnections()
}

// account gives the lab system a key, and somebody who weighs an account.
func (l *lab) account() {
	l.t.Helper()
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "a test"})
	made, err := l.g.People().MakeKey(l.t.Context(), host, rights.NewKey{ID: "lims", Name: "the lab system", Roles: []string{"machine"}, Reason: "a test"})
	if err != nil {
		l.t.Fatal(err)
	}
	l.key = made.Key
}

func (l *lab) adopt() {
	l.t.Helper()
	_, err := l.g.WriteProcedure(l.t.Context(), dryMass, "needed", record.Actor{ID: "ben", By: record.ActorHost})
	if err == nil {
		_, err = l.g.DecideProcedure(l.t.Context(), "dry-mass", 1, record.ProcedureAdopted, "read", record.Actor{ID: "cho", By: record.ActorHost})
	}
	if err != nil {
		l.t.Fatal(err)
	}
}

// connect is the lab system at the broker. It comes back by itself, and the broker keeps for it what comes meanwhile.
func (l *lab) connect() {
	l.t.Helper()
	hear := func(_ paho.Client, m paho.Message) {
		l.mu.Lock()
		defer l.mu.Unlock()
		if strings.HasSuffix(m.Topic(), "/requests/answer") {
			var a struct{ Request string }
			_ = json.Unmarshal(m.Payload(), &a)
			l.answers[a.Request] = bytes.Clone(m.Payload())
			return
		}
		if !strings.HasSuffix(m.Topic(), "/request-changed") {
			l.came["run"] = append(l.came["run"], bytes.Clone(m.Payload()))
			return
		}
		l.came["mqtt"] = append(l.came["mqtt"], bytes.Clone(m.Payload()))
	}
	o := paho.NewClientOptions().AddBroker("tcp://" + l.broker.Addr()).SetClientID("lims").SetCleanSession(false).SetAutoReconnect(true).
		SetMaxReconnectInterval(200 * time.Millisecond).SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond)
	o.SetOnConnectHandler(func(c paho.Client) {
		topics := map[string]byte{"weighpost/seed-bank/@/requests/answer": 1}
		for _, kind := range append([]string{"request-changed"}, ofRuns...) {
			topics["weighpost/seed-bank/+/"+kind] = 1
		}
		c.SubscribeMultiple(topics, hear)
	})
	l.client = paho.NewClient(o)
	if token := l.client.Connect(); !token.WaitTimeout(patience) || token.Error() != nil {
		l.t.Fatal(token.Error())
	}
	l.t.Cleanup(func() { l.client.Disconnect(100) })
}

// receive is the lab system's own server.
func (l *lab) receive(w http.ResponseWriter, r *http.Request) {
	b, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	way := strings.TrimPrefix(r.URL.Path, "/")
	l.came[way] = append(l.came[way], b)
}

func (l *lab) until(what string, is func() bool) {
	l.t.Helper()
	for end := time.Now().Add(patience); !is(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			l.t.Fatal("waited in vain: ", what)
		}
	}
}

// rest sends a request over the API with the lab system's key.
func (l *lab) rest(method, path, body string) (status int, answer string) {
	l.t.Helper()
	req, err := http.NewRequestWithContext(l.t.Context(), method, l.g.PageURL()+"api/v1/"+path, strings.NewReader(body))
	if err != nil {
		l.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+l.key)
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		l.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		l.t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// publish sends something to the broker, and gives the answer. It is sent again until there is one: a message that comes while weighpost has no
// connection is nobody's.
func (l *lab) publish(mark, body string) (answer string) {
	l.t.Helper()
	next := time.Time{}
	l.until("no answer to "+mark+" over the broker", func() bool {
		l.mu.Lock()
		a, there := l.answers[mark]
		l.mu.Unlock()
		if answer = string(a); !there && time.Now().After(next) {
			l.client.Publish("weighpost/seed-bank/@/requests/set", 1, false, body).WaitTimeout(time.Second)
			next = time.Now().Add(2 * time.Second)
		}
		return there
	})
	return answer
}

// drop drops a file, and gives the answer beside it.
func (l *lab) drop(name, body string) (answer string) {
	l.t.Helper()
	part := filepath.Join(l.dir, "folder", "."+name)
	if err := os.WriteFile(part, []byte(body), 0o600); err != nil {
		l.t.Fatal(err)
	}
	if err := os.Rename(part, filepath.Join(l.dir, "folder", name+".requests.json")); err != nil {
		l.t.Fatal(err)
	}
	l.until("no answer to the file "+name, func() bool {
		for _, dir := range []string{"taken", "refused"} {
			if b, err := os.ReadFile(filepath.Join(l.dir, "folder", dir, name+".requests.answer.json")); err == nil {
				answer = string(b)
				return true
			}
		}
		return false
	})
	return answer
}
