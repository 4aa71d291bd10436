//go:build linux

package gateway_test

import (
	"bufio"
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sys/unix"

	"weighpost/gateway/port/pty"
	"weighpost/sinks/mqtt/mosquitto"
)

// site is a number of balances that print 0.001 g, 0.002 g, 0.003 g …, each at its own moment of every tenth of a second,
// and the far side that notes which of these weights came, and when.
type site struct {
	dir     string
	cords   []*pty.Cord
	moments []time.Duration // ascending, within a tenth of a second
	perPort int
	page    string // the address of the daemon's page; "": one that the system chooses

	mu   sync.Mutex
	sent [][]time.Time // by balance and thousandths of a gram
	came [][]time.Time
	warm int // balances that were heard
}

// newSite makes balances whose ports are links in a folder on the disk to be measured: WEIGHPOST_BENCH_DIR, or the
// temporary one.
func newSite(b *testing.B, ports, perPort int) *site {
	b.Helper()
	s := &site{dir: b.TempDir(), perPort: perPort}
	if at := os.Getenv("WEIGHPOST_BENCH_DIR"); at != "" {
		dir, err := os.MkdirTemp(at, "site-bench-")
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { os.RemoveAll(dir) })
		s.dir = dir
	}
	dice := rand.New(rand.NewPCG(1, uint64(ports)))
	for i := range ports {
		cord := pty.NewCord(s.portPath(i))
		if err := cord.Plug(); err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = cord.Pull() })
		s.cords = append(s.cords, cord)
		s.moments = append(s.moments, time.Duration(dice.Int64N(int64(tenth))))
		s.sent = append(s.sent, make([]time.Time, perPort+1))
		s.came = append(s.came, make([]time.Time, perPort+1))
	}
	slices.Sort(s.moments)
	return s
}

const tenth = 100 * time.Millisecond

func (s *site) portPath(i int) string { return filepath.Join(s.dir, fmt.Sprintf("port-%d", i+1)) }

// config writes a configuration that records all lines and, with a broker's URL, publishes them.
func (s *site) config(b *testing.B, broker string) (name string, text []byte) {
	b.Helper()
	layout := filepath.Join(s.dir, "twenty-bytes.yaml")
	if err := os.WriteFile(layout, []byte(twentyBytes), 0o644); err != nil {
		b.Fatal(err)
	}
	text = fmt.Appendf(text, "site: seed-bank\njournal: {folder: journal}\npage: {listen: %q}\nbalances:\n", cmp.Or(s.page, "127.0.0.1:0"))
	for i, c := range s.cords {
		text = fmt.Appendf(text, "- {id: b-%d, port: {address: %q, speed: 115200}, layout: %q, record: all}\n", i+1, c.Path(), layout)
	}
	if broker != "" {
		text = fmt.Appendf(text, "sinks:\n- {id: broker, kind: mqtt, broker: %q}\n", broker)
	}
	name = filepath.Join(s.dir, "weighpost.yaml")
	if err := os.WriteFile(name, text, 0o644); err != nil {
		b.Fatal(err)
	}
	return name, text
}

// twentyBytes is the layout of what printLine prints.
const twentyBytes = `about: A bench balance of the seed store, for measurements
frame: {ends: ["\r\n"]}
line_length: 18
line: "N {weight 12} {unit 1} {stability 1}"
stability: {"*": stable, "": unstable}
`

func printLine(thousandths int) []byte {
	return fmt.Appendf(nil, "N %8d.%03d g *\r\n", thousandths/1000, thousandths%1000)
}

func (s *site) write(b *testing.B, i, thousandths int) {
	line := printLine(thousandths)
	if _, err := s.cords[i].Write(line); err != nil {
		b.Fatal(err)
	}
	now := time.Now()
	s.mu.Lock()
	s.sent[i][thousandths] = now
	s.mu.Unlock()
}

// warmUp prints 0.000 g until each balance was heard.
func (s *site) warmUp(b *testing.B) {
	b.Helper()
	for limit := time.Now().Add(60 * time.Second); ; time.Sleep(250 * time.Millisecond) {
		s.mu.Lock()
		heard := s.warm
		var silent []int
		for i := range s.cords {
			if s.came[i][0].IsZero() {
				silent = append(silent, i)
			}
		}
		s.mu.Unlock()
		if len(silent) == 0 {
			time.Sleep(time.Second)
			return
		}
		if time.Now().After(limit) {
			log, _ := os.ReadFile(filepath.Join(s.dir, "reader.log"))
			b.Fatalf("only %d of %d balances are heard\n%s", heard, len(s.cords), log[max(0, len(log)-2000):])
		}
		for _, i := range silent {
			s.write(b, i, 0)
		}
	}
}

func (s *site) print(b *testing.B) { s.printSome(b, 0, s.perPort) }

// printSome prints n lines at each balance, after those that were printed already.
func (s *site) printSome(b *testing.B, already, n int) {
	b.Helper()
	begin := time.Now()
	for round := range n {
		for i, moment := range s.moments {
			time.Sleep(time.Until(begin.Add(time.Duration(round)*tenth + moment)))
			s.write(b, i, already+round+1)
		}
	}
}

// note writes down that a weight came.
func (s *site) note(balance, digits string) {
	at := time.Now()
	i, err := strconv.Atoi(strings.TrimPrefix(balance, "b-"))
	thousandths, bad := strconv.Atoi(strings.ReplaceAll(digits, ".", ""))
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil || bad != nil || i < 1 || i > len(s.came) || thousandths < 0 || thousandths > s.perPort {
		return // then what was printed is missing
	}
	if first := &s.came[i-1][thousandths]; first.IsZero() {
		*first = at
		if thousandths == 0 {
			s.warm++
		}
	}
}

// listen subscribes to everything at the broker.
func (s *site) listen(b *testing.B, broker *mosquitto.Broker) {
	b.Helper()
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + broker.Addr()).SetClientID("far-side").
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
			var w struct {
				Balance struct{ ID string }
				Value   struct{ Digits string }
			}
			if json.Unmarshal(m.Payload(), &w) == nil {
				s.note(w.Balance.ID, w.Value.Digits)
			}
		}))
	for _, step := range []func() paho.Token{client.Connect, func() paho.Token { return client.Subscribe("+/+/+/weighing", 1, nil) }} {
		if token := step(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			b.Fatalf("the benchmark's own subscriber: %v", token.Error())
		}
	}
	b.Cleanup(func() { client.Disconnect(100) })
}

// arrived says how many lines are missing, and how long those that came took.
func (s *site) arrived() (missing int, times []time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.cords {
		for n := 1; n <= s.perPort; n++ {
			if s.came[i][n].IsZero() {
				missing++
				continue
			}
			times = append(times, max(0, s.came[i][n].Sub(s.sent[i][n])))
		}
	}
	return missing, times
}

// drain waits until everything came, or the limit.
func (s *site) drain(limit time.Duration) {
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if missing, _ := s.arrived(); missing == 0 {
			return
		}
	}
}

// reader is the daemon as a process of its own, ready to start.
func (s *site) reader(b *testing.B, broker *mosquitto.Broker) *exec.Cmd {
	b.Helper()
	name, _ := s.config(b, broker.URL())
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), readerEnv+"="+name)
	log, err := os.Create(filepath.Join(s.dir, "reader.log"))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { log.Close() })
	cmd.Stdout, cmd.Stderr = log, log
	return cmd
}

// cpu is what a process has used of the processors so far: its CPU-time clock, see clock_getcpuclockid(3).
func (s *site) cpu(b *testing.B, pid int) time.Duration {
	b.Helper()
	const scheduler = 2 // CPUCLOCK_SCHED
	var t unix.Timespec
	if err := unix.ClockGettime(int32(^pid<<3|scheduler), &t); err != nil {
		b.Fatal(err)
	}
	return time.Duration(t.Nano())
}

// resident is the most memory that a process ever had, from /proc: proc(5), VmHWM.
func (s *site) resident(b *testing.B, pid int) int64 {
	b.Helper()
	f, err := os.Open(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), "VmHWM:"); ok {
			kB, err := strconv.ParseInt(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
			if err != nil {
				b.Fatal(err)
			}
			return kB << 10
		}
	}
	b.Fatal("/proc says nothing of VmHWM")
	return 0
}
