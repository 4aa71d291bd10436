package visit_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
)

// weighpost is a daemon that runs by a file, and a balance of which it knows nothing at the end of a cable.
type weighpost struct {
	*gateway.Gateway
	t      *testing.T
	dir    string
	cord   *pty.Cord
	device string // the name of its port
	token  string
}

func newWeighpost(t *testing.T, more ...string) *weighpost {
	t.Helper()
	w := &weighpost{t: t, dir: t.TempDir()}
	w.cord = pty.NewCord(filepath.Join(w.dir, "port"))
	if err := w.cord.Plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.cord.Pull() })
	var err error
	if w.device, err = filepath.EvalSymlinks(w.cord.Path()); err != nil {
		t.Fatal(err)
	}
	text := "# The seed bank.\nsite: seed-bank\njournal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\npage: {listen: \"127.0.0.1:0\"}\nbalances: []\n" + strings.Join(more, "")
	file := filepath.Join(w.dir, "weighpost.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.LoadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	w.Gateway = gateway.New(cfg, gateway.Options{})
	if err := w.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(w.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	w.token = strings.TrimSpace(string(b))
	return w
}

// stop ends the daemon and verifies its journal.
func (w *weighpost) stop() {
	w.t.Helper()
	limit, cancel := context.WithTimeout(context.Background(), 15*time.Second)
	defer cancel()
	if err := w.Stop(limit); err != nil {
		w.t.Fatal(err)
	}
	http.DefaultClient.CloseIdleConnections()
	report, err := journal.Verify(limit, filepath.Join(w.dir, "journal"), "", nil)
	if err != nil || !report.Verified {
		w.t.Fatalf("the journal does not verify: %v %s", err, report.Text())
	}
}

// ask sends a request with the host's token, and reads the answer into v.
func (w *weighpost) ask(method, path string, body, v any) {
	w.t.Helper()
	var text io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			w.t.Fatal(err)
		}
		text = strings.NewReader(string(b))
	}
	r, err := http.NewRequestWithContext(w.t.Context(), method, w.PageURL()+"api/v1/"+path, text)
	if err != nil {
		w.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+w.token)
	if text != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		w.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil || resp.StatusCode != http.StatusOK {
		w.t.Fatalf("%s %s: %d %s %v", method, path, resp.StatusCode, b, err)
	}
	if v != nil {
		if err := json.Unmarshal(b, v); err != nil {
			w.t.Fatalf("%v: %s", err, b)
		}
	}
}

// print prints n lines at the balance.
func (w *weighpost) print(from, n int) {
	w.t.Helper()
	for i := range n {
		if _, err := fmt.Fprintf(w.cord, "N %10.4f g  \r\n", 12.345+float64(from+i)*1.0007); err != nil {
			w.t.Fatal(err)
		}
		time.Sleep(60 * time.Millisecond) // as a balance pauses
	}
}

// streamed counts the events of a visit by their names, as they come over HTTP.
func (w *weighpost) streamed(id string) (bytes *atomic.Int64, ended <-chan struct{}) {
	w.t.Helper()
	r, err := http.NewRequestWithContext(w.t.Context(), http.MethodGet, w.PageURL()+"api/v1/setup/visits/"+id+"/events", nil)
	if err != nil {
		w.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+w.token)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		w.t.Fatal(err)
	}
	done := make(chan struct{})
	bytes = &atomic.Int64{}
	go func() {
		defer close(done)
		defer resp.Body.Close()
		lines := bufio.NewScanner(resp.Body)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			if strings.HasPrefix(lines.Text(), "data: ") && strings.Contains(lines.Text(), `"hex":"`) {
				bytes.Add(1)
			}
		}
	}()
	return bytes, done
}

// TestABalanceIsAddedOverHTTP: from a port of which nothing is known to a weighing in the journal, in a daemon that runs all the time.
// The change is one entry that says who and why, and the file on the host says it too.
func TestABalanceIsAddedOverHTTP(t *testing.T) {
	w := newWeighpost(t)
	v, printed := w.walk()
	if v.State != console.VisitFinished || v.Result == nil || v.Result.Balance != "b-7" {
		t.Fatalf("%+v", v)
	}
	w.records(printed)
	w.stop()
	w.oneEntry()
}

// TestABalanceWaitsForASecondPerson where policy says so: the visit says it, and nothing is read meanwhile.
func TestABalanceWaitsForASecondPerson(t *testing.T) {
	w := newWeighpost(t, "settings: {adopt: two, over: [balances]}\n")
	defer w.stop()
	v, _ := w.walk()
	pending := w.PendingSettings()
	if v.State != console.VisitWaits || v.Result == nil || v.Result.Outcome != console.SettingsWait || pending == nil || pending.Change != v.Result.Pending || len(w.Balances()) > 0 {
		t.Errorf("%+v %+v: %+v, %d balances", v, v.Result, pending, len(w.Balances()))
	}
}

// walk goes a whole visit over HTTP, and says how many lines the balance has printed.
func (w *weighpost) walk() (v console.Visit, printed int) {
	t := w.t
	t.Helper()
	w.ask("POST", "setup/visits", map[string]any{"by": "ada"}, &v)
	bytes, ended := w.streamed(v.ID)
	answers := map[string]string{"port": "other", "address": w.device, "settings": "known", "known-settings": "9600 8N1", "id": "b-7", "serial": "0047-112", "place": "Germination room",
		"capacity": "220 g", "readability": "", "record": "printed", "compare": "yes", "write": "yes", "take": "yes"}
	done := uint64(0)
	for limit := time.Now().Add(60 * time.Second); v.State == console.VisitWorking || v.State == console.VisitAsking; w.ask("GET", "setup/visits/"+v.ID, nil, &v) {
		if time.Now().After(limit) {
			t.Fatalf("it does not end: %+v", v)
		}
		q := v.Question
		if q == nil || q.Number == done {
			time.Sleep(20 * time.Millisecond)
			v = console.Visit{ID: v.ID}
			continue
		}
		answer, known := answers[q.Key]
		switch {
		case q.Kind == "enough":
			w.print(printed, 12)
			printed += 12
		case q.Kind == "wait":
			w.print(printed, 1)
			printed++
			v = console.Visit{ID: v.ID}
			continue
		case !known && len(q.Choices) > 0:
			answer = "?"
		}
		if q.Key == "write" && (w.Balances() != nil && len(w.Balances()) > 0 || v.Reading == "") {
			t.Errorf("before anybody agreed: %+v, %q", w.Balances(), v.Reading)
		}
		body := map[string]any{"question": q.Number, "answer": answer, "by": "ada"}
		if q.Reason {
			body["reason"] = "a balance for the germination room"
		}
		done = q.Number
		w.ask("POST", "setup/visits/"+v.ID+"/answer", body, nil)
		v = console.Visit{ID: v.ID}
	}
	<-ended
	if bytes.Load() == 0 {
		t.Error("no bytes were shown")
	}
	return v, printed
}

// records prints at the balance until it is recorded.
func (w *weighpost) records(n int) {
	w.t.Helper()
	for limit := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		list := w.Balances()
		if len(list) == 1 && list[0].PortUp {
			w.print(n, 1)
		}
		if len(list) == 1 && list[0].Last != nil {
			if got := list[0].Last; !strings.HasPrefix(got.ID, "seed-bank/") || !strings.Contains(got.ID, "/b-7/") || got.Value.Unit != "g" {
				w.t.Errorf("%+v", got)
			}
			return
		}
		if time.Now().After(limit) {
			w.t.Fatalf("nothing is recorded: %+v", list)
		}
	}
}

// oneEntry looks at what the journal and the file say of the change.
func (w *weighpost) oneEntry() {
	w.t.Helper()
	var configured []record.Configured
	err := journal.Scan(w.t.Context(), filepath.Join(w.dir, "journal"), 0, func(e record.Entry) error {
		var c record.Configured
		if e.Kind == record.KindConfigured && json.Unmarshal(e.JSON, &c) == nil && len(c.Changes) > 0 && c.By.ID == "ada" {
			configured = append(configured, c)
		}
		return nil
	})
	if err != nil || len(configured) != 1 || configured[0].Reason != "a balance for the germination room" {
		w.t.Errorf("%v: %+v", err, configured)
	}
	text, err := os.ReadFile(filepath.Join(w.dir, "weighpost.yaml"))
	for _, want := range []string{"# The seed bank.", "id: b-7", `serial: "0047-112"`, "layout: layouts/b-7.yaml", "capacity: 220 g", "readability: 0.0001 g"} {
		if err != nil || !strings.Contains(string(text), want) {
			w.t.Errorf("%v: %q is not in\n%s", err, want, text)
		}
	}
	if _, err := os.Stat(filepath.Join(w.dir, "layouts", "b-7.yaml")); err != nil {
		w.t.Error(err)
	}
}
