//go:build linux

package running

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// counter is a simulated balance whose weighings can be told apart: it prints 0.001 g, 0.002 g, 0.003 g … for as long as
// the test lives, whether or not a daemon listens.
type counter struct {
	id   string
	cord *pty.Cord
	sent int64 // the last value whose line was written; read after stop
}

func (c *counter) print(ctx context.Context, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		n := c.sent + 1
		if _, err := fmt.Fprintf(c.cord, "%6d.%03d g\r\n", n/1000, n%1000); err != nil {
			return
		}
		c.sent = n
	}
}

// farSide is an independent subscriber with a session that outlives its connection. It writes down what arrived.
type farSide struct {
	mu           sync.Mutex
	delivered    map[string][]byte // weighing id → bytes
	acknowledged map[string]string // ids that the daemon showed as recorded → the digits it showed
	faults       []string
	live         int // readings that were shown, recorded or not
}

func (f *farSide) listen(t *testing.T, broker, topic string) {
	t.Helper()
	client := paho.NewClient(paho.NewClientOptions().AddBroker(broker).SetClientID("far-side").SetCleanSession(false).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { f.take(m) }))
	for _, step := range []func() paho.Token{client.Connect, func() paho.Token { return client.Subscribe(topic, 1, nil) }} {
		if token := step(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatalf("the test's own subscriber: %v", token.Error())
		}
	}
	t.Cleanup(func() { client.Disconnect(100) })
}

func (f *farSide) take(m paho.Message) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case strings.HasSuffix(m.Topic(), "/live"):
		var l record.Live
		if err := json.Unmarshal(m.Payload(), &l); err != nil {
			f.faults = append(f.faults, err.Error())
		} else if l.Recorded != "" && l.Value != nil {
			f.acknowledged[l.Recorded] = l.Value.Digits
		} else if l.Value != nil {
			f.live++
		}
	case strings.HasSuffix(m.Topic(), "/weighing"):
		e, err := record.ParseEntry(m.Payload())
		if err != nil {
			f.faults = append(f.faults, err.Error())
			return
		}
		if first, again := f.delivered[e.ID]; again && !bytes.Equal(first, m.Payload()) {
			f.faults = append(f.faults, fmt.Sprintf("%s arrived with two contents", e.ID))
		}
		f.delivered[e.ID] = bytes.Clone(m.Payload())
	}
}

func (f *farSide) counts() (delivered, acknowledged int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.delivered), len(f.acknowledged)
}

// shown is how many readings the live stream has shown.
func (f *farSide) shown() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.live
}

// rig is a daemon that can be killed, with balances and a broker around it.
type rig struct {
	program, config, journal, files string
	balances                        []*counter
	far                             *farSide
	wrap                            []string // a program that starts the daemon, with its arguments
	started                         int
	env                             []string // of the daemon; nil: the test's own
	stderr                          *os.File // of the daemon; nil: the file that its standard output goes to
}

func newRig(t *testing.T) *rig {
	t.Helper()
	broker := mosquitto.Start(t, mosquitto.Options{})
	dir := t.TempDir()
	r := &rig{
		program: program(t, dir), config: filepath.Join(dir, "weighpost.yaml"),
		journal: filepath.Join(dir, "journal"), files: filepath.Join(dir, "files"),
		far: &farSide{delivered: map[string][]byte{}, acknowledged: map[string]string{}},
	}
	err := os.Mkdir(r.files, 0o755)
	layout, absent := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err := errors.Join(err, absent); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: %q, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n", r.journal)
	for i := range 3 {
		c := &counter{id: fmt.Sprintf("b-%d", i+1), cord: pty.NewCord(filepath.Join(dir, fmt.Sprintf("port-%d", i+1)))}
		if err := c.cord.Plug(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.cord.Pull() })
		r.balances = append(r.balances, c)
		text += fmt.Sprintf("  - {id: %s, port: {address: %q}, layout: %q, record: all}\n", c.id, c.cord.Path(), layout)
	}
	text += fmt.Sprintf("sinks:\n  - {id: broker, kind: mqtt, broker: %q, live: true, retry_min: 50ms}\n  - {id: folder, kind: files, folder: %q}\n",
		"tcp://"+broker.Addr(), r.files)
	if err := os.WriteFile(r.config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	r.far.listen(t, "tcp://"+broker.Addr(), "weighpost/seed-bank/+/+")
	return r
}

func (r *rig) start(t *testing.T) *exec.Cmd {
	t.Helper()
	argv := append(slices.Clone(r.wrap), r.program, "run", "--config", r.config)
	daemon := exec.CommandContext(t.Context(), argv[0], argv[1:]...)
	log, err := os.OpenFile(r.config+".log", os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	daemon.Stdout, daemon.Stderr, daemon.Env = log, log, r.env
	if r.stderr != nil {
		daemon.Stderr = r.stderr
	}
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	_ = log.Close()
	r.started++
	return daemon
}

// moved waits until the daemon has shown further weighings as recorded.
func (r *rig) moved(t *testing.T, daemon *exec.Cmd, by int) {
	t.Helper()
	_, before := r.far.counts()
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if _, now := r.far.counts(); now >= before+by {
			return
		}
		if time.Now().After(limit) {
			log, _ := os.ReadFile(r.config + ".log")
			t.Fatalf("start %d (process %d): nothing is recorded for 30 s\n%s", r.started, daemon.Process.Pid, log[max(0, len(log)-4000):])
		}
	}
}

// TestEveryAcknowledgedWeighingSurvivesKills kills the whole daemon at random moments, with real mosquitto, a folder and
// traffic. What had been shown as recorded must be in the journal and behind both sinks, under ids that are never used
// twice and numbers without a gap.
func TestEveryAcknowledgedWeighingSurvivesKills(t *testing.T) {
	t.Parallel()
	rounds, _, dice := needs.Kills(t, 6)
	r := newRig(t)
	printing, stop := context.WithCancel(t.Context())
	defer stop()
	var printers sync.WaitGroup
	for _, c := range r.balances {
		printers.Go(func() { c.print(printing, 20*time.Millisecond) })
	}
	for range rounds {
		daemon := r.start(t)
		if dice.IntN(5) > 0 { // four in five are killed at work, one in five while it starts
			r.moved(t, daemon, 1)
		}
		time.Sleep(time.Duration(dice.IntN(200)) * time.Millisecond)
		_ = daemon.Process.Signal(syscall.SIGKILL)
		_ = daemon.Wait()
	}
	daemon := r.start(t)
	r.moved(t, daemon, 1)
	stop()
	printers.Wait()
	r.drain(t)
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	r.judge(t)
}

// drain waits until both far sides hold as many weighings and nothing new comes. After many kills there is a backlog, and a
// folder takes it at the pace of the disk: what counts is that it gets on.
func (r *rig) drain(t *testing.T) {
	t.Helper()
	const patience = 30 * time.Second
	moved, before, quiet := time.Now(), 0, 0
	for quiet < 20 {
		time.Sleep(100 * time.Millisecond)
		delivered, _ := r.far.counts()
		files := countFiles(t, r.files)
		if delivered+files != before {
			moved, before, quiet = time.Now(), delivered+files, 0
			continue
		}
		if delivered == files {
			quiet++
			continue
		}
		if time.Since(moved) > patience {
			t.Errorf("%d weighings behind the broker, %d in the folder, and nothing has moved for %s", delivered, files, patience)
			return
		}
	}
}

func (r *rig) judge(t *testing.T) {
	t.Helper()
	report, err := journal.Verify(t.Context(), r.journal, "", nil)
	if err != nil || !report.Verified {
		t.Fatalf("the journal does not verify: %v\n%s", err, report.Text())
	}
	inJournal := map[string][]byte{}
	last, value := map[string]uint64{}, map[string]int64{}
	err = journal.Scan(t.Context(), r.journal, 0, func(e record.Entry) error {
		if e.Kind != record.KindWeighing {
			return nil
		}
		if inJournal[e.ID] != nil {
			t.Errorf("the id %s is used twice", e.ID)
		}
		inJournal[e.ID] = e.JSON
		r.inOrder(t, e, last, value)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	r.far.mu.Lock()
	defer r.far.mu.Unlock()
	for _, f := range r.far.faults {
		t.Error(f)
	}
	for id, digits := range r.far.acknowledged {
		if !bytes.Contains(inJournal[id], []byte(`"digits":"`+digits+`"`)) {
			t.Errorf("%s was shown as recorded with %s, and the journal has %.400q", id, digits, inJournal[id])
		}
	}
	files := readFiles(t, r.files)
	for id, raw := range inJournal {
		if !bytes.Equal(r.far.delivered[id], raw) {
			t.Errorf("%s is in the journal and did not arrive at the broker's subscriber as it is", id)
		}
		if !bytes.Equal(files[id], raw) {
			t.Errorf("%s is in the journal and not in the folder as it is", id)
		}
	}
	if d, f := len(r.far.delivered), len(files); d != len(inJournal) || f != d {
		t.Errorf("%d weighings in the journal, %d behind the broker, %d in the folder", len(inJournal), d, f)
	}
	t.Logf("%d starts; %d weighings recorded, %d of them seen as acknowledged; each is behind the broker and in the folder", r.started, len(inJournal), len(r.far.acknowledged))
}

// inOrder holds one weighing to its place: the next number of its balance, and a value that the balance printed after the
// one before.
func (r *rig) inOrder(t *testing.T, e record.Entry, last map[string]uint64, value map[string]int64) {
	t.Helper()
	n, err := strconv.ParseUint(e.ID[strings.LastIndexByte(e.ID, '/')+1:], 10, 64)
	if err != nil || n != last[e.Balance]+1 {
		t.Errorf("%s follows number %d of %s", e.ID, last[e.Balance], e.Balance)
	}
	last[e.Balance] = n
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		t.Fatal(err)
	}
	v, err := strconv.ParseInt(strings.Replace(w.Value.Digits, ".", "", 1), 10, 64)
	sent := int64(-1)
	for _, c := range r.balances {
		if c.id == e.Balance {
			sent = c.sent
		}
	}
	if err != nil || v <= value[e.Balance] || v > sent+1 {
		t.Errorf("%s says %s, after %d of %d printed", e.ID, w.Value.Digits, value[e.Balance], sent)
	}
	value[e.Balance] = v
}

// countFiles is how many weighings lie in the folder. Reading them each time would take the processor from the daemon.
func countFiles(t *testing.T, dir string) (n int) {
	t.Helper()
	err := filepath.WalkDir(dir, func(name string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() && strings.HasSuffix(name, ".json") {
			n++
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
	return n
}

// readFiles gives the weighings that lie in the folder, by id.
func readFiles(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	found := map[string][]byte{}
	err := filepath.WalkDir(dir, func(name string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(name, ".json") { // the checkpoints are in a .ndjson
			return err
		}
		raw, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		raw = bytes.TrimSuffix(raw, []byte("\n"))
		e, err := record.ParseEntry(raw)
		if err != nil {
			return fmt.Errorf("%s: %w", d.Name(), err)
		}
		found[e.ID] = raw
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	return found
}
