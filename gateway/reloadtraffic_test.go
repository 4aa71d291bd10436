//go:build linux

package gateway_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/console"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// reloads is how often the configuration changes under traffic: 100 times with WEIGHPOST_LONG=1.
var reloads = func() int {
	if os.Getenv("WEIGHPOST_LONG") != "" {
		return 100
	}
	return 24 // twice through all that changes by twos, threes and fours
}()

// printer is a balance that prints 0.001 g, 0.002 g, 0.003 g … whether or not anybody listens.
type printer struct {
	cord *pty.Cord
	sent atomic.Uint64
}

func (p *printer) print(ctx context.Context) {
	tick := time.NewTicker(40 * time.Millisecond)
	defer tick.Stop()
	for n := 1; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if _, err := p.cord.Write(line(n)); err != nil {
			return
		}
		p.sent.Store(uint64(n))
	}
}

// collector is an independent subscriber that writes down what the broker passes on.
type collector struct {
	mu      sync.Mutex
	arrived map[string][]string        // id of a weighing → the digits of each arrival
	status  []string                   // what the status topic said
	posted  map[string]map[string]bool // path → ids that were sent there
}

func collect(t *testing.T, broker *mosquitto.Broker) *collector {
	t.Helper()
	c := &collector{arrived: map[string][]string{}, posted: map[string]map[string]bool{}}
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + broker.Addr()).SetClientID("collector").
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { c.take(m) }))
	wait(client.Connect())
	wait(client.Subscribe("weighpost/#", 1, nil))
	t.Cleanup(func() { client.Disconnect(100) })
	return c
}

func (c *collector) take(m paho.Message) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case strings.HasSuffix(m.Topic(), "/status"):
		c.status = append(c.status, string(m.Payload()))
	case strings.HasSuffix(m.Topic(), "/weighing"):
		var w record.Weighing
		if err := json.Unmarshal(m.Payload(), &w); err == nil {
			c.arrived[w.ID] = append(c.arrived[w.ID], w.Value.Digits)
		}
	}
}

// ServeHTTP takes the lines of JSON of a sink that is named by the path.
func (c *collector) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	for lines := bufio.NewScanner(r.Body); lines.Scan(); {
		var w record.Weighing
		if err := json.Unmarshal(lines.Bytes(), &w); err == nil {
			c.mu.Lock()
			if c.posted[r.URL.Path] == nil {
				c.posted[r.URL.Path] = map[string]bool{}
			}
			c.posted[r.URL.Path][w.ID] = true
			c.mu.Unlock()
		}
	}
}

func (c *collector) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.arrived)
}

// round is the configuration of one round: still-… and the sinks still… never change; the others do.
func round(n int, broker, url string) string {
	odd := func(yes, no string) string {
		if n%2 == 1 {
			return yes
		}
		return no
	}
	text := "site: seed-bank\njournal: {folder: journal}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n"
	balance := func(id, layout, speed, more string) {
		text += fmt.Sprintf("- {id: %s, port: {address: DIR/%[1]s, speed: %s}, layout: %s%s}\n", id, speed, layout, more)
	}
	balance("still-1", "as.yaml", "115200", "")
	balance("moved", "as.yaml", "115200", fmt.Sprintf(", place: bench %d, record: %s", n, odd("all", "printed")))
	balance("still-2", "as.yaml", "115200", "")
	balance("reworded", odd("also.yaml", "as.yaml"), "115200", "")
	balance("reset", "as.yaml", odd("57600", "115200"), "")
	if n%3 != 1 {
		balance("guest", "as.yaml", "115200", "")
	}
	balance("still-3", "as.yaml", "115200", "")
	text += "sinks:\n- {id: still-broker, kind: mqtt, broker: \"mqtt://" + broker + "\"}\n- {id: still-folder, kind: files, folder: DIR/still, format: ndjson}\n"
	text += fmt.Sprintf("- {id: repaced, kind: http, url: \"%s/repaced\", body: lines, batch_size: %d}\n", url, 100+n)
	if n%4 != 2 {
		text += "- {id: visitor, kind: http, url: \"" + url + "/visitor\", body: lines}\n"
	}
	return text
}

// TestReloadUnderTraffic changes the configuration again and again while seven balances print: balances and sinks come, go
// and change. What did not change keeps its port and its connection; what a balance printed that was read all the time is
// recorded and delivered once, in order, with numbers without gaps.
func TestReloadUnderTraffic(t *testing.T) {
	t.Parallel() // it mostly waits
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, broker)
	ids := []string{"still-1", "still-2", "still-3", "moved", "reworded", "reset", "guest"}
	h := newHouse(t, ids...)
	if err := os.Mkdir(filepath.Join(h.dir, "still"), 0o755); err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(far)
	t.Cleanup(web.Close)
	h.start(t, round(0, broker.Addr(), web.URL))
	time.Sleep(60 * time.Millisecond) // a silence: the first line begins a frame
	lines, runners := h.Lines(), h.Runners()
	printing, enough := context.WithCancel(t.Context())
	printers := map[string]*printer{}
	var all sync.WaitGroup
	for _, id := range ids {
		p := &printer{cord: h.cords[id]}
		printers[id] = p
		all.Go(func() { p.print(printing) })
	}
	hashes := map[string]bool{h.Config().Hash(): true}
	var longest time.Duration
	for n := 1; n <= reloads; n++ {
		before := recorded(h)
		began := time.Now()
		if err := h.reload(t, round(n, broker.Addr(), web.URL)); err != nil {
			t.Fatalf("reload %d: %v", n, err)
		}
		longest = max(longest, time.Since(began))
		hashes[h.Config().Hash()] = true
		until(t, func() bool {
			now := recorded(h)
			return now["still-1"] > before["still-1"] && now["moved"] > before["moved"]
		},
			fmt.Sprintf("nothing is recorded after reload %d", n))
	}
	enough()
	all.Wait()
	until(t, func() bool {
		now := recorded(h)
		return !slices.ContainsFunc(ids[:5], func(id string) bool { return now[id] != printers[id].sent.Load() })
	}, "not all that was printed is recorded")
	for _, id := range ids[:5] {
		if h.Lines()[id] != lines[id] || lines[id].Counts().Opens != 1 {
			t.Errorf("the port of %s is read anew, or was opened more than once: %d times by the first reader", id, lines[id].Counts().Opens)
		}
	}
	for _, id := range []string{"still-broker", "still-folder"} {
		if h.Runners()[id] != runners[id] {
			t.Errorf("the sink %s was closed and opened", id)
		}
	}
	ws := h.delivered(t, far)
	if n := strings.Count(broker.Log(), "weighpost-seed-bank-still-broker"); n == 0 || strings.Count(broker.Log(), " as weighpost-seed-bank-still-broker") != 1 {
		t.Errorf("the broker saw %d connections of the sink that did not change:\n%s", n, broker.Log())
	}
	h.stop(t)
	inOrder(t, ws, printers, ids[:5])
	for _, w := range ws {
		if !hashes[w.Software.Config] {
			t.Errorf("%s names the configuration %s, which never held", w.ID, w.Software.Config)
		}
	}
	t.Logf("%d reloads, the longest took %s; %d weighings", reloads, longest, len(ws))
}

func recorded(h *house) map[string]uint64 {
	all := map[string]uint64{}
	for _, b := range h.Balances() {
		all[b.ID] = b.Recorded
	}
	return all
}

// delivered waits until every sink has everything, and holds what arrived against the journal.
func (h *house) delivered(t *testing.T, far *collector) []record.Weighing {
	t.Helper()
	defer func() {
		if t.Failed() {
			t.Logf("sinks: %+v\nconditions: %+v", h.Sinks(), h.Conditions())
		}
	}()
	until(t, func() bool {
		return !slices.ContainsFunc(h.Sinks(), func(s console.Sink) bool { return s.Lag > 0 || s.State != "working" })
	}, "a sink does not get everything")
	ws := all[record.Weighing](t, h, record.KindWeighing)
	until(t, func() bool { return far.count() >= len(ws) }, "the broker has not passed on everything")
	far.mu.Lock()
	defer far.mu.Unlock()
	for _, w := range ws {
		if got := far.arrived[w.ID]; len(got) != 1 || got[0] != w.Value.Digits {
			t.Errorf("%s %s arrived as %q over a connection that did not change", w.ID, w.Value.Digits, got)
		}
	}
	for _, s := range far.status {
		if strings.Contains(s, `"offline"`) {
			t.Errorf("the status said %s", s)
		}
	}
	for where, arrived := range map[string]map[string]bool{
		"the folder": h.arrivedIn(t, "still"), "repaced": far.posted["/repaced"], "visitor": far.posted["/visitor"],
	} {
		for _, w := range ws {
			if !arrived[w.ID] {
				t.Errorf("%s did not arrive in %s", w.ID, where)
			}
			delete(arrived, w.ID)
		}
		if len(arrived) > 0 {
			t.Errorf("nobody recorded what arrived in %s: %v", where, slices.Collect(maps.Keys(arrived)))
		}
	}
	return ws
}

// arrivedIn gives the different ids in a folder.
func (h *house) arrivedIn(t *testing.T, folder string) map[string]bool {
	t.Helper()
	ids := map[string]bool{}
	err := filepath.WalkDir(filepath.Join(h.dir, folder), func(name string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(d.Name(), ".") || strings.Contains(d.Name(), "checkpoint") {
			return err
		}
		b, err := os.ReadFile(name)
		for _, l := range strings.Split(string(b), "\n") {
			var w record.Weighing
			if json.Unmarshal([]byte(l), &w) == nil && w.Schema == record.KindWeighing.Schema() {
				ids[w.ID] = true
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return ids
}

// inOrder holds the weighings against what was printed: numbers without gaps for every balance, each line once, and all of
// them for those that were read all the time.
func inOrder(t *testing.T, ws []record.Weighing, printers map[string]*printer, whole []string) {
	t.Helper()
	digits := map[string][]string{}
	for _, w := range ws {
		id := w.Balance.ID
		digits[id] = append(digits[id], w.Value.Digits)
		if want := fmt.Sprintf("/%s/%06d", id, len(digits[id])); !strings.HasSuffix(w.ID, want) {
			t.Fatalf("%s should end in %s", w.ID, want)
		}
	}
	for id, list := range digits {
		n := 0
		for i, d := range list {
			var g, mg int
			if _, err := fmt.Sscanf(d, "%d.%d", &g, &mg); err != nil || 1000*g+mg <= n {
				t.Fatalf("%s: weighing %d is %s after %d thousandths", id, i+1, d, n)
			}
			n = 1000*g + mg
		}
		sent := int(printers[id].sent.Load())
		if slices.Contains(whole, id) && (len(list) != sent || n != sent) {
			t.Errorf("%s printed %d lines, and %d are recorded, the last %d", id, sent, len(list), n)
		}
		t.Logf("%s: %d printed, %d recorded", id, sent, len(list))
	}
}

func wait(t paho.Token) {
	t.Wait()
	must(t.Error())
}
