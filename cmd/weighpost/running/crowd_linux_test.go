package running

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/port/pty"
	"weighpost/sinks/mqtt/mosquitto"
)

// crowd is a number of balances on pseudo-terminals that print 0.001 g, 0.002 g, 0.003 g …, and the far side of the broker,
// which notes which of these weights came, how often, and when.
type crowd struct {
	dir    string
	cords  []*pty.Cord
	each   int // lines of each balance
	broker *mosquitto.Broker
	page   string // the address of the daemon's page; "": one that the system chooses

	mu      sync.Mutex
	moved   *sync.Cond
	sent    [][]time.Time // by balance and thousandths of a gram
	came    [][]time.Time
	arrived []int // by balance: lines that came
	doubled int
}

// newCrowd makes balances whose ports are links in a folder on the disk to be measured: WEIGHPOST_BENCH_DIR, or the temporary one.
func newCrowd(tb testing.TB, balances, each int) *crowd {
	tb.Helper()
	c := &crowd{dir: tb.TempDir(), each: each, broker: mosquitto.Start(tb, mosquitto.Options{}), arrived: make([]int, balances)}
	c.moved = sync.NewCond(&c.mu)
	if at := os.Getenv("WEIGHPOST_BENCH_DIR"); at != "" {
		dir, err := os.MkdirTemp(at, "crowd-")
		if err != nil {
			tb.Fatal(err)
		}
		tb.Cleanup(func() { os.RemoveAll(dir) })
		c.dir = dir
	}
	for i := range balances {
		cord := pty.NewCord(filepath.Join(c.dir, fmt.Sprintf("port-%d", i+1)))
		if err := cord.Plug(); err != nil {
			tb.Fatal(err)
		}
		tb.Cleanup(func() { _ = cord.Pull() })
		c.cords = append(c.cords, cord)
		c.sent, c.came = append(c.sent, make([]time.Time, each+1)), append(c.came, make([]time.Time, each+1))
	}
	c.listen(tb)
	return c
}

// twentyBytes is the layout of what lineOf prints.
const twentyBytes = `about: A bench balance of the seed store, for measurements
frame: {ends: ["\r\n"]}
line_length: 18
line: "N {weight 12} {unit 1} {stability 1}"
stability: {"*": stable, "": unstable}
`

func lineOf(thousandths int) []byte {
	return fmt.Appendf(nil, "N %8d.%03d g *\r\n", thousandths/1000, thousandths%1000)
}

// config writes a configuration that records all lines and publishes them at QoS 1.
func (c *crowd) config(tb testing.TB) (name string) {
	tb.Helper()
	layout, name := filepath.Join(c.dir, "twenty-bytes.yaml"), filepath.Join(c.dir, "weighpost.yaml")
	text := fmt.Appendf(nil, "site: seed-bank\njournal: {folder: journal}\npage: {listen: %q}\nbalances:\n", cmp.Or(c.page, "127.0.0.1:0"))
	for i, cord := range c.cords {
		text = fmt.Appendf(text, "- {id: b-%d, port: {address: %q, speed: 115200}, layout: %q, record: all}\n", i+1, cord.Path(), layout)
	}
	text = fmt.Appendf(text, "sinks:\n- {id: broker, kind: mqtt, broker: %q, retry_min: 50ms}\n", c.broker.URL())
	for name, text := range map[string][]byte{layout: []byte(twentyBytes), name: text} {
		if err := os.WriteFile(name, text, 0o644); err != nil {
			tb.Fatal(err)
		}
	}
	return name
}

// listen subscribes to everything at the broker.
func (c *crowd) listen(tb testing.TB) {
	tb.Helper()
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + c.broker.Addr()).SetClientID("far-side").
		SetCleanSession(false).SetMaxReconnectInterval(100 * time.Millisecond).SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		var w struct {
			Balance struct{ ID string }
			Value   struct{ Digits string }
		}
		if json.Unmarshal(m.Payload(), &w) == nil {
			c.note(w.Balance.ID, w.Value.Digits)
		}
	}))
	for _, step := range []func() paho.Token{client.Connect, func() paho.Token { return client.Subscribe("+/+/+/weighing", 1, nil) }} {
		if token := step(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			tb.Fatalf("the far side's own subscriber: %v", token.Error())
		}
	}
	tb.Cleanup(func() { client.Disconnect(100) })
}

// note writes down that a weight came.
func (c *crowd) note(balance, digits string) {
	at := time.Now()
	i, err := strconv.Atoi(strings.TrimPrefix(balance, "b-"))
	n, bad := strconv.Atoi(strings.ReplaceAll(digits, ".", ""))
	c.mu.Lock()
	defer c.mu.Unlock()
	if err != nil || bad != nil || i < 1 || i > len(c.came) || n < 0 || n > c.each {
		return // then what was printed is missing
	}
	switch first := &c.came[i-1][n]; {
	case first.IsZero():
		*first = at
		if n > 0 {
			c.arrived[i-1]++
			c.moved.Broadcast()
		}
	case n > 0: // 0.000 g is printed until it was heard
		c.doubled++
	}
}

func (c *crowd) write(tb testing.TB, i, thousandths, lines int) {
	var text []byte
	for n := range lines {
		text = append(text, lineOf(thousandths+n)...)
	}
	if _, err := c.cords[i].Write(text); err != nil {
		tb.Error(err)
		return
	}
	now := time.Now()
	c.mu.Lock()
	for n := range lines {
		c.sent[i][thousandths+n] = now
	}
	c.mu.Unlock()
}

// warmUp prints 0.000 g until each balance was heard.
func (c *crowd) warmUp(tb testing.TB) {
	tb.Helper()
	for limit := time.Now().Add(90 * time.Second); ; time.Sleep(250 * time.Millisecond) {
		c.mu.Lock()
		var silent []int
		for i := range c.cords {
			if c.came[i][0].IsZero() {
				silent = append(silent, i)
			}
		}
		c.mu.Unlock()
		if len(silent) == 0 {
			return
		}
		if time.Now().After(limit) {
			log, _ := os.ReadFile(filepath.Join(c.dir, "reader.log"))
			tb.Fatalf("%d of %d balances are not heard\n%s", len(silent), len(c.cords), log[max(0, len(log)-2000):])
		}
		for _, i := range silent {
			c.write(tb, i, 0, 1)
		}
	}
}

// printSteadily prints so many lines at each balance at a time, one such period apart, each balance at its own moment of it.
func (c *crowd) printSteadily(tb testing.TB, period time.Duration) {
	dice := rand.New(rand.NewPCG(1, uint64(len(c.cords))))
	var moments []time.Duration
	for range c.cords {
		moments = append(moments, time.Duration(dice.Int64N(int64(period))))
	}
	slices.Sort(moments)
	begin := time.Now()
	for round := range c.each {
		for i, moment := range moments {
			time.Sleep(time.Until(begin.Add(time.Duration(round)*period + moment)))
			c.write(tb, i, round+1, 1)
		}
	}
}

// printBursts has all balances print so many lines at once, again and again, so far apart.
func (c *crowd) printBursts(tb testing.TB, lines int, apart time.Duration) {
	for from := 1; from+lines-1 <= c.each; from += lines {
		for i := range c.cords {
			c.write(tb, i, from, lines)
		}
		time.Sleep(apart)
	}
}

// printFlatOut has each balance print its next line as soon as fewer than so many of its lines are on their way.
func (c *crowd) printFlatOut(tb testing.TB, onTheWay int) { c.printSpan(tb, 1, c.each, onTheWay) }

// printSpan does so with the lines from one on up to another. Where nothing arrives for a minute it gives up: what was not printed
// is missing.
func (c *crowd) printSpan(tb testing.TB, from, to, onTheWay int) {
	stuck, moved := false, func() (n int) {
		for _, one := range c.arrived {
			n += one
		}
		return n
	}
	watching, enough := context.WithCancel(context.Background())
	var all, watch sync.WaitGroup
	watch.Go(func() {
		for last, since := -1, time.Now(); watching.Err() == nil; time.Sleep(20 * time.Millisecond) {
			c.mu.Lock()
			if now := moved(); now != last {
				last, since = now, time.Now()
			}
			if stuck = time.Since(since) > time.Minute; stuck {
				c.moved.Broadcast()
			}
			c.mu.Unlock()
		}
	})
	for i := range c.cords {
		all.Go(func() {
			for n := from; n <= to; n++ {
				c.mu.Lock()
				for n-c.arrived[i] > onTheWay && !stuck {
					c.moved.Wait()
				}
				gaveUp := stuck
				c.mu.Unlock()
				if gaveUp {
					return
				}
				c.write(tb, i, n, 1)
			}
		})
	}
	all.Wait()
	enough()
	watch.Wait()
}

// drain waits until everything came, or the limit.
func (c *crowd) drain(limit time.Duration) {
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if missing, _, _ := c.counts(); missing == 0 {
			return
		}
	}
}

// counts says how many lines are missing, how many came more than once, and how long those that came took, in order.
func (c *crowd) counts() (missing, doubled int, times []time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := range c.cords {
		for n := 1; n <= c.each; n++ {
			if c.came[i][n].IsZero() {
				missing++
				continue
			}
			times = append(times, max(0, c.came[i][n].Sub(c.sent[i][n])))
		}
	}
	slices.Sort(times)
	return missing, c.doubled, times
}
