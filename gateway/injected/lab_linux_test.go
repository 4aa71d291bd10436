package injected

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
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
	"weighpost/gateway/logging"
	"weighpost/gateway/needs"
	"weighpost/gateway/port/pty"
	"weighpost/sinks/mqtt/mosquitto"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// lab is a daemon with a scanner and every kind of destination, and whoever asks and hears it.
type lab struct {
	t             *testing.T
	dir           string
	g             *gateway.Gateway
	log           syncBuffer
	logger        *logging.Log
	balance, scan *pty.Cord
	client        http.Client
	token         string
	broker        paho.Client
	built         string // the program, once it was asked for

	mu       sync.Mutex
	messages map[string][]string // by topic
	posted   map[string]string   // bodies, by the path as it came
}

type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

func newLab(t *testing.T) *lab {
	t.Helper()
	l := &lab{t: t, dir: t.TempDir(), messages: map[string][]string{}, posted: map[string]string{}}
	l.balance, l.scan = l.plugged("port"), l.plugged("scanner")
	for _, folder := range []string{"backups", "json", "ndjson", "csv", "sheet"} {
		if err := os.Mkdir(filepath.Join(l.dir, folder), 0o750); err != nil {
			t.Fatal(err)
		}
	}
	written, err := os.ReadFile("../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	layout := filepath.Join(l.dir, "<img src=x onerror=1><b>LOT<.yaml")
	if err := os.WriteFile(layout, written, 0o600); err != nil {
		t.Fatal(err)
	}
	broker := mosquitto.Start(t, mosquitto.Options{})
	l.hear("tcp://" + broker.Addr())
	receiver := httptest.NewServer(http.HandlerFunc(l.receive))
	t.Cleanup(receiver.Close)
	text := fmt.Sprintf(`site: seed-bank
journal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}
page: {listen: %q}
balances:
- id: b-1
  port: {address: %q, speed: 115200}
  layout: %q
  place: "room <b>LOT</b> \"' عينة"
  record: printed
  readability: 0.001 g
  capacity: 100 g
  scanner: {port: {address: %q, speed: 115200}, ends: line, rules: [{item: sample, uses: -1}]}
sinks:
- {id: broker, kind: mqtt, broker: "%s", requests: true}
- {id: json, kind: files, folder: %q, format: json, name: "{sample}/{person}/{lot}-{id}.json"}
- {id: ndjson, kind: files, folder: %q, format: ndjson, name: "{method}/{run}.ndjson"}
- {id: csv, kind: files, folder: %q, format: csv}
- {id: sheet, kind: files, folder: %q, format: csv, spreadsheet: true}
- {id: lims, kind: http, url: "%s/weighings/{id}", method: PUT}
- {id: refuses, kind: http, url: "%s/refuses"}
backup: {folder: %q}
log: {level: debug}
checks:
- {name: corners, measures: eccentricity, questions: ["%s"], loads: [20 g], positions: ["%s", "{{.}} & ${HOME} عينة"], tolerance: {mass: 5 mg}}
fitness: {schedule: [{check: corners, every: day}]}
`, needs.FreeAddress(t), l.balance.Path(), layout, l.scan.Path(), broker.URL(), filepath.Join(l.dir, "json"), filepath.Join(l.dir, "ndjson"), filepath.Join(l.dir, "csv"),
		filepath.Join(l.dir, "sheet"), receiver.URL, receiver.URL, filepath.Join(l.dir, "backups"), "<script>document.title='owned'</script> Is <b>LOT</b> level?", "<b>LOT</b> left")
	file := filepath.Join(l.dir, "weighpost.yaml")
	cfg, faults := config.Load(file, []byte(text))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	l.logger = logging.New(&l.log, logging.Config{Level: "debug"})
	l.g = gateway.New(cfg, gateway.Options{Log: l.logger.Logger, Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)})
	l.client = http.Client{Timeout: time.Minute, Transport: &http.Transport{DisableKeepAlives: true}}
	return l
}

func (l *lab) plugged(name string) *pty.Cord {
	l.t.Helper()
	cord := pty.NewCord(filepath.Join(l.dir, name))
	if err := cord.Plug(); err != nil {
		l.t.Fatal(err)
	}
	l.t.Cleanup(func() { _ = cord.Pull() })
	return cord
}

func (l *lab) start() {
	l.t.Helper()
	if err := l.g.Start(l.t.Context()); err != nil {
		l.t.Fatal(err)
	}
	l.waitFor("the ports", func() bool { return l.g.Balances()[0].PortUp })
	token, err := os.ReadFile(filepath.Join(l.dir, "journal", "api.token"))
	if err != nil {
		l.t.Fatal(err)
	}
	l.token = strings.TrimSpace(string(token))
}

func (l *lab) stop() {
	l.t.Helper()
	limit, cancel := context.WithTimeout(context.WithoutCancel(l.t.Context()), patience)
	defer cancel()
	if err := l.g.Stop(limit); err != nil {
		l.t.Fatal(err)
	}
	l.logger.Close()
}

func (l *lab) waitFor(what string, f func() bool) {
	l.t.Helper()
	for end := time.Now().Add(patience); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			l.t.Fatalf("%s did not come in time", what)
		}
	}
}

// hear subscribes to everything that the broker has, its own topics too.
func (l *lab) hear(broker string) {
	o := paho.NewClientOptions().AddBroker(broker).SetClientID("far-side").SetConnectTimeout(patience)
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.messages[m.Topic()] = append(l.messages[m.Topic()], string(m.Payload()))
	})
	l.broker = paho.NewClient(o)
	for _, token := range []func() paho.Token{l.broker.Connect, func() paho.Token { return l.broker.Subscribe("#", 1, nil) }} {
		if done := token(); !done.WaitTimeout(patience) || done.Error() != nil {
			l.t.Fatal(done.Error())
		}
	}
	l.t.Cleanup(func() { l.broker.Disconnect(100) })
}

// heard gives what came under topics that end in some way.
func (l *lab) heard(end string) (all []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for topic, list := range l.messages {
		if strings.HasSuffix(topic, end) {
			all = append(all, list...)
		}
	}
	return all
}

// receive is the lab system that the HTTP sink sends to.
func (l *lab) receive(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil || r.Header.Get("Owned") != "" {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	if r.URL.Path == "/refuses" {
		w.WriteHeader(http.StatusUnprocessableEntity)
		_, _ = io.WriteString(w, "<img src=x onerror=1><b>LOT</b>\x1b]0;owned\x07\u202e lot\u200b")
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.posted[r.URL.EscapedPath()] = string(body)
}

// ask sends a request with the host's token. status 0: whatever it is.
func (l *lab) ask(status int, method, path string, body any, header ...string) (int, string) {
	l.t.Helper()
	var content []byte
	switch b := body.(type) {
	case nil:
	case string:
		content = []byte(b)
	default:
		var err error
		if content, err = json.Marshal(b); err != nil {
			l.t.Fatal(err)
		}
	}
	req, err := http.NewRequestWithContext(l.t.Context(), method, l.g.PageURL()+"api/v1/"+path, bytes.NewReader(content))
	if err != nil {
		l.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+l.token)
	if content != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := l.client.Do(req)
	if err != nil {
		l.t.Fatal(err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		l.t.Fatal(err)
	}
	for name, values := range resp.Header {
		if name == "Set-Cookie" || name == "Location" || strings.ContainsAny(strings.Join(values, ""), "\r\n") || strings.Contains(name, "Owned") {
			l.t.Errorf("%s %s: the header %s %q", method, path, name, values)
		}
	}
	if status != 0 && resp.StatusCode != status {
		l.t.Errorf("%s %s %s: %d, not %d: %s", method, path, content, resp.StatusCode, status, answer)
	}
	return resp.StatusCode, string(answer)
}

type item struct {
	ID string `json:"id"`
}

// tied sets everything that a weighing can carry to one id.
func tied(id string) map[string]any {
	one := item{id}
	return map[string]any{"person": one, "sample": one, "method": one, "run": one, "lot": one, "fields": map[string]any{"box": one}}
}

// weigh records a weighing under what is set.
func (l *lab) weigh(n int) {
	l.t.Helper()
	if _, err := l.balance.Write(fmt.Appendf(nil, "%6d.%03d g\r\n", 10+n/1000, n%1000)); err != nil {
		l.t.Fatal(err)
	}
	l.waitFor("a weighing", func() bool { return int(l.g.Balances()[0].Recorded) == n })
}

// program builds weighpost, once, and gives what it prints, as to a terminal.
func (l *lab) program(args ...string) string {
	l.t.Helper()
	if l.built == "" {
		var err error
		if l.built, err = needs.Program(l.t.TempDir()); err != nil {
			l.t.Fatal(err)
		}
	}
	cmd := exec.CommandContext(l.t.Context(), l.built, args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		l.t.Errorf("weighpost %q: %v %s", args, err, errs.String())
	}
	harmless(l.t, strings.Join(args, " "), out.String()+errs.String())
	return out.String()
}

// harmless holds a text to what a terminal only shows: lines and tabs, no other control, nothing that turns text.
func harmless(t *testing.T, what, text string) {
	t.Helper()
	for _, r := range text {
		if r < ' ' && r != '\n' && r != '\t' && r != '\r' || r >= 0x7f && r < 0xa0 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0x2028 {
			t.Errorf("%s holds %U", what, r)
			return
		}
	}
}

func escaped(id string) string { return url.PathEscape(id) }
