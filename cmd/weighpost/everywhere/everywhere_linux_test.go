package everywhere

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
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

// counter is a simulated balance whose weighings can be told apart: it prints 0.001 g, 0.002 g, 0.003 g … whether or not a daemon listens.
type counter struct {
	id   string
	cord *pty.Cord
	sent int64 // the last value whose line was written; read after all ended
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

// kept is one weighing as the journal has it.
type kept struct {
	json            []byte
	seq             uint64
	balance, digits string
}

// rig is a daemon that can be killed, with balances before it and every kind of destination behind it.
type rig struct {
	dir, config, journal string
	page                 string // where its page is
	balances             []*counter
	cords                []*pty.Cord
	places               []*place
	looking              context.Context // of what looks and reads at the far sides
	all                  sync.WaitGroup
	lot                  *lot
	broker               *mosquitto.Broker
	ends                 []func() // free who reads

	mu           sync.Mutex
	acknowledged map[string]string // ids that the daemon showed as recorded → the digits it showed
}

// shown takes what the live stream says.
func (r *rig) shown(m paho.Message) {
	var l record.Live
	if json.Unmarshal(m.Payload(), &l) != nil || l.Recorded == "" || l.Value == nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.acknowledged[l.Recorded] = l.Value.Digits
}

// newRig starts all servers. top is what the configuration says beside site, journal, page, balances and sinks; more is what it says of the
// nth balance, from 1.
func newRig(t *testing.T, seed uint64, top string, balances int, more func(n int) string) *rig {
	t.Helper()
	looking, end := context.WithCancel(context.Background())
	dir := t.TempDir()
	r := &rig{dir: dir, config: filepath.Join(dir, "weighpost.yaml"), journal: filepath.Join(dir, "journal"), looking: looking,
		lot: &lot{dice: rand.New(rand.NewPCG(seed, 1))}, page: needs.FreeAddress(t), acknowledged: map[string]string{}}
	t.Cleanup(func() {
		end()
		for _, c := range r.cords { // frees who reads
			_ = c.Pull()
		}
		for _, f := range r.ends {
			f()
		}
		r.all.Wait()
	})
	layout, err := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: %q, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\npage: {listen: %q}\n%sbalances:\n",
		r.journal, r.page, top)
	for i := range balances {
		c := &counter{id: fmt.Sprintf("b-%d", i+1), cord: pty.NewCord(filepath.Join(dir, fmt.Sprintf("port-%d", i+1)))}
		if err := c.cord.Plug(); err != nil {
			t.Fatal(err)
		}
		r.cords, r.balances = append(r.cords, c.cord), append(r.balances, c)
		text += fmt.Sprintf("  - {id: %s, port: {address: %q}, layout: %q, %s}\n", c.id, c.cord.Path(), layout, more(i+1))
	}
	r.everything(t)
	if err := os.WriteFile(r.config, []byte(text+"sinks:\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	r.configure(t, r.places...)
	return r
}

// configure adds destinations to the configuration.
func (r *rig) configure(t *testing.T, places ...*place) {
	t.Helper()
	text, err := os.ReadFile(r.config)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range places {
		text = fmt.Appendf(text, "  - {id: %s, retry_min: 50ms, retry_max: 500ms, probe: 1s, deadline: 5s, %s}\n", p.name, p.config)
	}
	if err := os.WriteFile(r.config, text, 0o644); err != nil {
		t.Fatal(err)
	}
}

func (r *rig) start(t *testing.T) *exec.Cmd {
	t.Helper()
	daemon := exec.CommandContext(t.Context(), built, "run", "--config", r.config)
	log, err := os.OpenFile(r.config+".log", os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	daemon.Stdout, daemon.Stderr = log, log
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	return daemon
}

// said is the end of the daemon's log.
func (r *rig) said() string {
	log, _ := os.ReadFile(r.config + ".log")
	return string(log[max(0, len(log)-6000):])
}

// moved waits until one place, drawn by lot, has something new: then the kill falls among deliveries.
func (r *rig) moved(t *testing.T, dice *rand.Rand) {
	t.Helper()
	p := r.places[dice.IntN(len(r.places))]
	before := p.count(t)
	for limit := time.Now().Add(time.Minute); p.count(t) <= before; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("nothing has arrived at %s for a minute:\n%s", p.name, r.said())
		}
	}
}

// trouble makes some networks bad, and perhaps kills what serves at one place, in mid-write. mend makes the networks good again.
func (r *rig) trouble(t *testing.T, dice *rand.Rand) (mend func()) {
	t.Helper()
	var after []func()
	for _, p := range r.places {
		if p.net == nil || dice.IntN(2) == 0 {
			continue
		}
		switch kind := dice.IntN(6); kind {
		case 0:
			p.net.Down()
			after = append(after, func() { p.net.Up(t) })
		case 1:
			after = append(after, p.net.Add(t, "latency", "upstream", `{"latency": 30, "jitter": 30}`))
		case 2:
			after = append(after, p.net.Add(t, "limit_data", "upstream", fmt.Sprintf(`{"bytes": %d}`, 500+dice.IntN(20000))))
		case 3:
			after = append(after, p.net.Add(t, "reset_peer", "downstream", fmt.Sprintf(`{"timeout": %d}`, dice.IntN(300))))
		case 4:
			after = append(after, p.net.Add(t, "slow_close", "downstream", `{"delay": 200}`))
		case 5:
			after = append(after, p.net.Add(t, "timeout", "downstream", `{"timeout": 0}`)) // half open
		}
	}
	if p := r.places[dice.IntN(len(r.places))]; p.jolt != nil {
		p.jolt(t)
	}
	return func() {
		for _, f := range after {
			f()
		}
	}
}

// TestKilledWhileDeliveringToEverySink kills the whole daemon at random while it delivers to every kind of destination at once, through bad
// networks, and with the servers killed as well. The balances, the journal and what lies at the far sides are the judges.
func TestKilledWhileDeliveringToEverySink(t *testing.T) {
	const few = 3
	rounds, dice := needs.Rounds(t, few, 100)
	every := 90 * time.Millisecond
	if rounds > few { // what the slowest share has not got by the end is waited for
		every = 300 * time.Millisecond
	}
	r := newRig(t, dice.Uint64(), "", 3, func(int) string { return "record: all" })
	printing, stop := context.WithCancel(t.Context())
	defer stop()
	var printers sync.WaitGroup
	for _, c := range r.balances {
		printers.Go(func() { c.print(printing, every) })
	}
	for range rounds {
		daemon := r.start(t)
		if dice.IntN(5) > 0 { // four in five are killed at work, one in five while it starts
			r.moved(t, dice)
		}
		mend := r.trouble(t, dice)
		time.Sleep(time.Duration(dice.IntN(1500)) * time.Millisecond)
		if dice.IntN(2) == 0 {
			mend() // half of them are killed in mid-recovery
			time.Sleep(time.Duration(dice.IntN(700)) * time.Millisecond)
		}
		_ = daemon.Process.Signal(syscall.SIGKILL)
		_ = daemon.Wait()
		mend()
	}
	daemon := r.start(t)
	r.moved(t, dice)
	stop()
	printers.Wait()
	r.lot.end()
	r.drain(t)
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v\n%s", err, r.said())
	}
	r.judge(t, rounds)
}

// drain waits until every place holds as many as that one of those without duplicates that holds most, and nothing new comes.
func (r *rig) drain(t *testing.T) {
	t.Helper()
	const patience = 30 * time.Second
	moved, before, quiet := time.Now(), 0, 0
	for quiet < 8 {
		time.Sleep(150 * time.Millisecond)
		most, sum, behind := 0, 0, []string{}
		for _, p := range r.places {
			n := p.count(t)
			sum += n
			if p.once {
				most = max(most, n)
			}
		}
		for _, p := range r.places {
			if n := p.count(t); n+p.short < most && !p.live {
				behind = append(behind, fmt.Sprintf("%s has %d", p.name, n))
			}
		}
		switch {
		case sum != before:
			moved, before, quiet = time.Now(), sum, 0
		case len(behind) == 0:
			quiet++
		case time.Since(moved) > patience:
			t.Errorf("of %d at most, %s, and nothing has moved for %s\n%s", most, strings.Join(behind, ", "), patience, r.said())
			return
		}
	}
}

// read gives the weighings of the journal, having held each to its place.
func (r *rig) read(t *testing.T) (all map[string]kept, order []string) {
	t.Helper()
	report, err := journal.Verify(t.Context(), r.journal, "", nil)
	if err != nil || !report.Verified {
		t.Fatalf("the journal does not verify: %v\n%s", err, report.Text())
	}
	all = map[string]kept{}
	last, value := map[string]uint64{}, map[string]int64{}
	err = journal.Scan(t.Context(), r.journal, 0, func(e record.Entry) error {
		if e.Kind == record.KindParked || e.Kind == record.KindSinkStopped {
			t.Logf("the journal says: %.700s", e.JSON)
		}
		if e.Kind != record.KindWeighing {
			return nil
		}
		if _, twice := all[e.ID]; twice {
			t.Errorf("the id %s is used twice", e.ID)
		}
		var w record.Weighing
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			return err
		}
		r.inOrder(t, e, w.Value.Digits, last, value)
		all[e.ID] = kept{json: e.JSON, seq: e.Seq, balance: e.Balance, digits: w.Value.Digits}
		order = append(order, e.ID)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all, order
}

// inOrder holds one weighing to its place: the next number of its balance, and a value that the balance printed after the one before.
func (r *rig) inOrder(t *testing.T, e record.Entry, digits string, last map[string]uint64, value map[string]int64) {
	t.Helper()
	n, err := strconv.ParseUint(e.ID[strings.LastIndexByte(e.ID, '/')+1:], 10, 64)
	if err != nil || n != last[e.Balance]+1 {
		t.Errorf("%s follows number %d of %s", e.ID, last[e.Balance], e.Balance)
	}
	last[e.Balance] = n
	v, err := strconv.ParseInt(strings.Replace(digits, ".", "", 1), 10, 64)
	sent := int64(-1)
	for _, c := range r.balances {
		if c.id == e.Balance {
			sent = c.sent
		}
	}
	if err != nil || v <= value[e.Balance] || v > sent+1 {
		t.Errorf("%s says %s, after %d of %d printed", e.ID, digits, value[e.Balance], sent)
	}
	value[e.Balance] = v
}

func (r *rig) judge(t *testing.T, rounds int) {
	t.Helper()
	all, order := r.read(t)
	r.mu.Lock()
	for id, digits := range r.acknowledged {
		if all[id].digits != digits {
			t.Errorf("%s was shown as recorded with %s, and the journal has %q", id, digits, all[id].digits)
		}
	}
	t.Logf("%d kills; %d weighings recorded, %d of them seen as acknowledged", rounds, len(order), len(r.acknowledged))
	r.mu.Unlock()
	for _, p := range r.places {
		again := p.judge(t, all, order)
		t.Logf("%-12s %d ids are there, and %d arrivals more with an id that was", p.name, p.count(t), again)
	}
	if t.Failed() {
		t.Logf("the daemon's log ends:\n%s", r.said())
	}
}
