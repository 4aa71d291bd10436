//go:build linux

package gateway_test

import (
	"encoding/json"
	"errors"
	"maps"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/intake"
	"weighpost/gateway/journal"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
)

// house is a daemon whose configuration is a file that tests rewrite.
type house struct {
	*gateway.Gateway
	dir   string
	cords map[string]*pty.Cord
}

// newHouse makes the folder with cords for these ports and two layouts: as.yaml reads what line prints, and so does also.yaml.
func newHouse(t *testing.T, ports ...string) *house {
	t.Helper()
	h := &house{dir: t.TempDir(), cords: map[string]*pty.Cord{}}
	for _, name := range ports {
		cord := pty.NewCord(filepath.Join(h.dir, name))
		if err := cord.Plug(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = cord.Pull() })
		h.cords[name] = cord
	}
	h.write(t, "as.yaml", asLine)
	h.write(t, "also.yaml", alsoLine)
	return h
}

const (
	asLine   = "about: As printed\nframe:\n  ends: [\"\\r\\n\"]\nline: \"{weight 10} {unit 1}\"\n"
	alsoLine = "about: The same in other words\nframe:\n  ends: [\"\\r\\n\"]\nline: \"{weight 10} {unit 1}\"\n"
)

func (h *house) write(t *testing.T, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(h.dir, name), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func (h *house) file() string { return filepath.Join(h.dir, "weighpost.yaml") }

// start starts a daemon by a configuration text, in which DIR is the folder.
func (h *house) start(t *testing.T, text string) {
	t.Helper()
	h.write(t, "weighpost.yaml", strings.ReplaceAll(text, "DIR", h.dir))
	cfg, err := config.LoadFile(h.file())
	if err != nil {
		t.Fatal(err)
	}
	h.Gateway = gateway.New(cfg, gateway.Options{Hasher: littleWork()})
	if err := h.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	h.up(t)
	until(t, func() bool {
		return !slices.ContainsFunc(h.Sinks(), func(s console.Sink) bool { return s.Lag > 0 })
	}, "a sink does not begin")
}

// up waits until every balance that is read is connected.
func (h *house) up(t *testing.T) {
	t.Helper()
	until(t, func() bool {
		return !slices.ContainsFunc(h.Balances(), func(b console.Balance) bool { return !b.PortUp && h.Lines()[b.ID] != nil })
	}, "a port is not opened")
}

// reload rewrites the file and reloads.
func (h *house) reload(t *testing.T, text string) error {
	t.Helper()
	h.write(t, "weighpost.yaml", strings.ReplaceAll(text, "DIR", h.dir))
	return h.ReloadFile(t.Context(), h.file())
}

func (h *house) stop(t *testing.T) {
	t.Helper()
	d := daemon{Gateway: h.Gateway, cfg: h.Config()}
	d.stop(t)
}

// all gives the journal's entries of a kind.
func all[T any](t *testing.T, h *house, kinds ...record.Kind) (list []T) {
	t.Helper()
	err := journal.Scan(t.Context(), filepath.Join(h.dir, "journal"), 0, func(e record.Entry) error {
		if !slices.Contains(kinds, e.Kind) {
			return nil
		}
		var one T
		if err := json.Unmarshal(e.JSON, &one); err != nil {
			return err
		}
		list = append(list, one)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

const base = `site: seed-bank
journal: {folder: journal}
page: {listen: "127.0.0.1:0"}
balances:
- id: b-1
  port: {address: DIR/port-1, speed: 115200}
  layout: as.yaml
- id: b-2
  port: {address: DIR/port-2, speed: 115200}
  layout: as.yaml
sinks:
- id: s-1
  kind: files
  folder: DIR/out-1
- id: s-2
  kind: files
  folder: DIR/out-2
- id: s-3
  kind: http
  url: http://127.0.0.1:9/
  bearer: file:DIR/token
`

// TestAReloadTouchesOnlyWhatChanged holds, for each kind of change, which ports are closed and opened and which sinks are.
// What is not named keeps its very connection.
func TestAReloadTouchesOnlyWhatChanged(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		change []string // old, new …
		files  map[string]string
		ports  []string // opened anew, or new
		sinks  []string
		says   string // among the changes of the entry
	}{
		{name: "nothing"},
		{name: "only how it is written", change: []string{"page:", "# a remark\npage:", "speed: 115200}\n  layout: as.yaml\n- id: b-2", "speed: 115200, write_timeout: 2s}\n  layout: as.yaml\n- id: b-2"}},
		{name: "a place", change: []string{"- id: b-1\n", "- id: b-1\n  place: cold room\n"}, says: `balance b-1: place was changed from "" to "cold room"`},
		{name: "what is on the plate", change: []string{"- id: b-1\n", "- id: b-1\n  serial: \"0047\"\n  capacity: 220 g\n  readability: 0.001 g\n  verification_interval: 0.01 g\n"}, says: "balance b-1: capacity was changed"},
		{name: "a rule", change: []string{"- id: b-1\n", "- id: b-1\n  record: all\n"}, says: "balance b-1: record.kind was changed"},
		{name: "how it is asked", change: []string{"- id: b-1\n", "- id: b-1\n  ask: {send: \"\\x05\"}\n"}, says: "balance b-1: ask.send is now"},
		{name: "what it can be sent", change: []string{"- id: b-1\n", "- id: b-1\n  commands: {tare: {send: T}}\n"}, says: "balance b-1: commands.tare.send is now"},
		{name: "another layout", change: []string{"layout: as.yaml\n- id: b-2", "layout: also.yaml\n- id: b-2"}, says: "balance b-1: the layout was changed from sha256:"},
		{name: "a layout's text", files: map[string]string{"as.yaml": alsoLine}, says: "balance b-2: the layout was changed from sha256:"},
		{name: "a setting of a port", change: []string{"port-1, speed: 115200", "port-1, speed: 57600"}, ports: []string{"b-1"}, says: "balance b-1: port.speed was changed from 115200 to 57600"},
		{name: "two balances change places", change: []string{"port-1", "port-x", "port-2", "port-1", "port-x", "port-2"}, ports: []string{"b-1", "b-2"}},
		{name: "a balance goes", change: []string{"- id: b-2\n  port: {address: DIR/port-2, speed: 115200}\n  layout: as.yaml\n", ""}, says: "balance b-2 was removed"},
		{name: "a balance comes", change: []string{"sinks:", "- {id: b-3, port: {address: DIR/port-3, speed: 115200}, layout: as.yaml}\nsinks:"}, ports: []string{"b-3"}, says: "balance b-3 was added"},
		{name: "another id on the same port", change: []string{"id: b-2", "id: b-4"}, ports: []string{"b-4"}},
		{name: "the order", change: []string{"id: b-1\n  port: {address: DIR/port-1", "id: b-x\n  port: {address: DIR/port-x", "id: b-2\n  port: {address: DIR/port-2", "id: b-1\n  port: {address: DIR/port-1",
			"id: b-x\n  port: {address: DIR/port-x", "id: b-2\n  port: {address: DIR/port-2"}, says: "the order of the balances was changed"},
		{name: "a sink's pace", change: []string{"folder: DIR/out-1\n", "folder: DIR/out-1\n  batch_size: 7\n"}, sinks: []string{"s-1"}, says: "sink s-1: batch_size was changed from 256 to 7"},
		{name: "a sink's destination", change: []string{"folder: DIR/out-1\n", "folder: DIR/out-9\n  cursor: keep\n"}, sinks: []string{"s-1"}},
		{name: "what a new destination would mean", change: []string{"folder: DIR/out-1\n", "folder: DIR/out-1\n  cursor: keep\n"}},
		{name: "a sink goes", change: []string{"- id: s-2\n  kind: files\n  folder: DIR/out-2\n", ""}, says: "sink s-2 was removed"},
		{name: "a sink comes", change: []string{"- id: s-3", "- {id: s-4, kind: files, folder: DIR/out-4}\n- id: s-3"}, sinks: []string{"s-4"}, says: "sink s-4 was added"},
		{name: "what a secret says", files: map[string]string{"token": "another\n"}, sinks: []string{"s-3"}, says: "sink s-3: what is kept as its bearer was changed"},
		{name: "a secret that cannot be read now", files: map[string]string{"token": ""}},
		{name: "the page", change: []string{`"127.0.0.1:0"`, `"localhost:0"`}, says: "page: listen was changed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHouse(t, "port-1", "port-2", "port-3")
			h.write(t, "token", "one\n")
			h.start(t, base)
			lines, runners := h.Lines(), h.Runners()
			for name, text := range c.files {
				h.write(t, name, text)
			}
			text := base
			for i := 0; i < len(c.change); i += 2 {
				if !strings.Contains(text, c.change[i]) {
					t.Fatalf("the text does not hold %q", c.change[i])
				}
				text = strings.ReplaceAll(text, c.change[i], c.change[i+1])
			}
			if err := h.reload(t, text); err != nil {
				t.Fatal(err)
			}
			h.up(t)
			var opened, begun []string
			for id, l := range h.Lines() {
				if l != lines[id] {
					opened = append(opened, id)
				}
				if n := l.Counts().Opens; n != 1 {
					t.Errorf("the port of %s was opened %d times", id, n)
				}
			}
			for id, r := range h.Runners() {
				if r != runners[id] {
					begun = append(begun, id)
				}
			}
			slices.Sort(opened)
			slices.Sort(begun)
			if !slices.Equal(opened, c.ports) || !slices.Equal(begun, c.sinks) {
				t.Errorf("opened the ports of %q and the sinks %q, expected %q and %q", opened, begun, c.ports, c.sinks)
			}
			h.printEach(t)
			h.stop(t)
			h.checkReload(t, c.says)
		})
	}
}

// printEach has every balance print once, and waits until that is recorded.
func (h *house) printEach(t *testing.T) {
	t.Helper()
	before := map[string]uint64{}
	for _, b := range h.Balances() {
		before[b.ID] = b.Recorded
	}
	time.Sleep(60 * time.Millisecond) // the silence that shows that a frame begins
	for _, b := range h.Config().Balances {
		if _, err := h.cords[filepath.Base(b.Port.Address)].Write(line(12345)); err != nil {
			t.Fatal(err)
		}
	}
	until(t, func() bool {
		return !slices.ContainsFunc(h.Balances(), func(b console.Balance) bool { return b.Recorded != before[b.ID]+1 })
	}, "what was printed after the reload is not recorded")
}

// checkReload holds the journal against the configuration that holds.
func (h *house) checkReload(t *testing.T, says string) {
	t.Helper()
	entries := all[record.Configured](t, h, record.KindConfigured)
	if len(entries) != 2 {
		t.Fatalf("%d entries of a start and a reload", len(entries))
	}
	last, hash := entries[1], h.Config().Hash()
	if last.From != entries[0].To || last.To != hash || string(last.Config) != string(h.Config().Redacted()) {
		t.Errorf("from %s to %s, the configuration that holds is %s:\n%s", last.From, last.To, hash, last.Config)
	}
	if says != "" && !slices.ContainsFunc(last.Changes, func(s string) bool { return strings.Contains(s, says) }) {
		t.Errorf("the entry says %q", last.Changes)
	}
	for _, w := range all[record.Weighing](t, h, record.KindWeighing) {
		if w.Software.Config != hash {
			t.Errorf("a weighing of %s after the reload names the configuration %s and not %s", w.Balance.ID, w.Software.Config, hash)
		}
		i := slices.IndexFunc(h.Config().Balances, func(b intake.Config) bool { return b.ID == w.Balance.ID })
		if b := h.Config().Balances[i]; w.Balance.Place != b.Place || w.Balance.Serial != b.Serial || w.Trigger != b.Record.String() ||
			w.Layout != h.Config().Layout(b.ID).Hash() || w.Balance.Readability != b.Readability.String() {
			t.Errorf("a weighing after the reload says %+v, layout %s, rule %s", w.Balance, w.Layout, w.Trigger)
		}
	}
}

// TestABadFileChangesNothingLoudly: whatever is wrong with the file, everything goes on as it was; the daemon says so in a
// condition and in the journal, and the next good file clears it.
func TestABadFileChangesNothingLoudly(t *testing.T) {
	h := newHouse(t, "port-1", "port-2", "port-3")
	h.write(t, "token", "one\n")
	h.write(t, "bad.yaml", "line: \"{weight 10\"\n")
	good := strings.Replace(base, "id: b-1\n", "id: b-1\n  serial: \"0047\"\n", 1)
	h.start(t, good)
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	lines, runners, url, hash := h.Lines(), h.Runners(), h.PageURL(), h.Config().Hash()
	n := 0
	for _, c := range []struct{ name, old, new, want string }{
		{"no YAML", "sinks:", "sinks: [", "weighpost.yaml:"},
		{"an unknown key", "id: b-2", "idd: b-2", `did you mean "id"`},
		{"no layout", "as.yaml", "none.yaml", "there is no file"},
		{"a wrong layout", "as.yaml", "bad.yaml", "bad.yaml:1:"},
		{"two on one port", "DIR/port-2", "DIR/port-1", "already"},
		{"an id twice", "id: b-2", "id: b-1", "already"},
		{"a secret in the file", "file:DIR/token", "hunter2", "a secret is not written into the file"},
		{"another site", "seed-bank", "seed-store", "the name of the site is seed-bank and cannot become seed-store"},
		{"another journal", "folder: journal", "folder: elsewhere", "stop it, move the folder, and start it again"},
		{"the id of another balance", `"0047"`, `"0048"`, `the id b-1 belongs to the balance with the serial number "0047"`},
		{"a page that is taken", `"127.0.0.1:0"`, `"` + taken.Addr().String() + `"`, "the page cannot listen on " + taken.Addr().String()},
		{"a destination without a word", "DIR/out-2", "DIR/out-9", "write cursor: keep"},
		{"an empty file", good, "", "weighpost.yaml"},
	} {
		t.Run(c.name, func(t *testing.T) {
			n++
			err := h.reload(t, strings.ReplaceAll(good, c.old, c.new))
			var refused *gateway.Refused
			if !errors.As(err, &refused) || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), h.file()) {
				t.Fatalf("it says %v", err)
			}
			if strings.Contains(err.Error(), "hunter2") {
				t.Errorf("it repeats a secret: %v", err)
			}
			if !maps.Equal(h.Lines(), lines) || !maps.Equal(h.Runners(), runners) || h.PageURL() != url || h.Config().Hash() != hash {
				t.Error("something was changed")
			}
			conditions := h.Conditions()
			i := slices.IndexFunc(conditions, func(c health.Condition) bool { return c.Code == "configuration-refused" })
			if i < 0 || !strings.Contains(conditions[i].Sentence, c.want) {
				t.Errorf("the conditions are %+v", conditions)
			}
			if last := h.LastReload(); last.Refused != uint64(n) || last.Times != 0 || last.Why == "" {
				t.Errorf("the last reload: %+v", last)
			}
		})
	}
	h.printEach(t)
	if err := h.reload(t, good); err != nil {
		t.Fatal(err)
	}
	if slices.ContainsFunc(h.Conditions(), func(c health.Condition) bool { return c.Code == "configuration-refused" }) {
		t.Error("the condition is still there after a good file")
	}
	if last := h.LastReload(); last.Times != 1 || last.Why != "" {
		t.Errorf("the last reload: %+v", last)
	}
	h.stop(t)
	var told int
	for _, e := range all[record.Configured](t, h, record.KindConfigured) {
		if e.Refused != "" {
			told++
			if e.To != hash || e.From != hash || e.Config != nil {
				t.Errorf("a refused configuration: %+v", e)
			}
		}
	}
	if told != n {
		t.Errorf("%d of %d refusals are in the journal", told, n)
	}
}

// TestThePageMoves: the new address answers when the reload is done, and the old one does not.
func TestThePageMoves(t *testing.T) {
	h := newHouse(t, "port-1", "port-2")
	h.write(t, "token", "one\n")
	h.start(t, base)
	old := h.PageURL()
	if err := h.reload(t, strings.Replace(base, `"127.0.0.1:0"`, `"127.0.0.2:0"`, 1)); err != nil {
		t.Fatal(err)
	}
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	answer, err := client.Get(h.PageURL() + "healthz")
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("the page at %s: %v", h.PageURL(), err)
	}
	answer.Body.Close()
	if answer, err := client.Get(old + "healthz"); err == nil {
		answer.Body.Close()
		t.Errorf("the page still answers at %s", old)
	}
	moved := strings.Replace(base, `"127.0.0.1:0"`, `"127.0.0.2:0"`, 1)
	url := h.PageURL()
	if err := h.reload(t, strings.Replace(moved, `0"}`, `0", token_file: other.token}`, 1)); err != nil {
		t.Fatal(err)
	}
	if answer, err = client.Get(url + "healthz"); err != nil || answer.StatusCode != http.StatusOK || h.PageURL() != url {
		t.Fatalf("with another token the page at %s: %v", url, err)
	}
	answer.Body.Close()
	if _, err := os.Stat(filepath.Join(h.dir, "other.token")); err != nil {
		t.Errorf("the other token is not made: %v", err)
	}
	h.stop(t)
}

// TestNoReloadDuringAStop: one that runs is finished first, and one that comes later is refused.
func TestNoReloadDuringAStop(t *testing.T) {
	h := newHouse(t, "port-1", "port-2")
	h.write(t, "token", "one\n")
	h.start(t, base)
	cfg, err := config.LoadFile(h.file())
	if err != nil {
		t.Fatal(err)
	}
	results := make(chan error, 20)
	for range cap(results) {
		go func() { results <- h.Reload(t.Context(), cfg) }()
	}
	first := <-results
	if first != nil {
		t.Fatal(first)
	}
	h.stop(t)
	done := 1
	for range cap(results) - 1 {
		switch err := <-results; {
		case err == nil:
			done++
		case !errors.Is(err, gateway.ErrStopping):
			t.Error(err)
		}
	}
	if err := h.Reload(t.Context(), cfg); !errors.Is(err, gateway.ErrStopping) {
		t.Errorf("after the stop: %v", err)
	}
	if n := len(all[record.Configured](t, h, record.KindConfigured)); n != done+1 {
		t.Errorf("%d entries of a start and %d reloads", n, done)
	}
	if err := h.Stop(t.Context()); err != nil {
		t.Errorf("a second stop: %v", err)
	}
}
