package running

import (
	"bufio"
	"context"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway/needs"
)

// sizes is what a daemon takes up at one moment.
type sizes struct {
	resident, heap          int64 // bytes
	descriptors, goroutines float64
}

// TestAWeekOfTrafficTakesUpNothing has the program live through days that are made short: every balance prints, two lose their
// port and get it back, the broker goes and comes back, people look at the live stream and go, pages and measurements are asked
// for, and the configuration is read anew. At the end of each day it is measured what the program takes up, and what counts is
// the slope: descriptors and goroutines must not grow at all, and memory by no more than a journal of that length explains.
//
// By default two balances live through four days of 12 lines each, of which only descriptors and goroutines are judged, since the
// memory of a program that has just begun says nothing. WEIGHPOST_LONG=1 takes 16 balances through four weeks of 300 lines a day each.
func TestAWeekOfTrafficTakesUpNothing(t *testing.T) {
	balances, days, lines, long := 2, 4, 12, os.Getenv("WEIGHPOST_LONG") != ""
	if long {
		balances, days, lines = 16, 28, 300
	}
	c := newCrowd(t, balances, days*lines)
	c.page = needs.FreeAddress(t)
	daemon := c.startDaemon(t)
	c.warmUp(t)
	list := []sizes{{}}
	for day := range days {
		c.day(t, daemon, day*lines, lines)
		list = append(list, c.sizes(t, daemon.Process.Pid, list[day], long))
		now := list[day+1]
		t.Logf("day %d: %d weighings, %.1f MiB resident, %.1f MiB of heap, %.0f descriptors, %.0f goroutines",
			day+1, balances*(day+1)*lines, float64(now.resident)/(1<<20), float64(now.heap)/(1<<20), now.descriptors, now.goroutines)
	}
	if missing, _, _ := c.counts(); missing != 0 {
		t.Errorf("%d lines are missing", missing)
	}
	settled := list[1+days/4:] // by then it has met everything that a day brings
	grown := func(f func(sizes) float64) float64 { return slope(settled, f) * float64(len(settled)-1) }
	if n := grown(func(s sizes) float64 { return s.descriptors }); n >= 1 {
		t.Errorf("%.1f descriptors more at the end", n)
	}
	if n := grown(func(s sizes) float64 { return s.goroutines }); n >= 2.5 {
		t.Errorf("%.1f goroutines more at the end", n)
	}
	resident := grown(func(s sizes) float64 { return float64(s.resident) }) / (1 << 20)
	heap := grown(func(s sizes) float64 { return float64(s.heap) }) / (1 << 20)
	t.Logf("by the slopes: %.2f MiB resident and %.2f MiB of heap more after %d weighings", resident, heap, balances*lines*(len(settled)-1))
	if long && (resident > 8 || heap > 2) {
		t.Errorf("it grew by %.1f MiB resident and %.1f MiB of heap", resident, heap)
	}
}

func (c *crowd) startDaemon(t *testing.T) *exec.Cmd {
	t.Helper()
	daemon := exec.Command(built, "run", "--config", c.config(t))
	log, err := os.Create(filepath.Join(c.dir, "reader.log"))
	if err != nil {
		t.Fatal(err)
	}
	daemon.Dir, daemon.Stdout, daemon.Stderr = c.dir, log, log
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = daemon.Process.Signal(unix.SIGTERM)
		if err := daemon.Wait(); err != nil {
			said, _ := os.ReadFile(log.Name())
			t.Errorf("the daemon did not end in good order: %v\n%s", err, said[max(0, len(said)-2000):])
		}
		log.Close()
	})
	return daemon
}

// day is one day, after so many lines of each balance.
func (c *crowd) day(t *testing.T, daemon *exec.Cmd, already, lines int) {
	t.Helper()
	third := lines / 3
	c.printSpan(t, already+1, already+third, 16)
	c.arrivedAll(t, (already+third)*len(c.cords)) // what is still in a cable that is pulled is gone
	for _, cord := range c.cords[:2] {
		if err := cord.Pull(); err != nil {
			t.Fatal(err)
		}
		c.portsUp(t, len(c.cords)-1)
		if err := cord.Plug(); err != nil {
			t.Fatal(err)
		}
		c.portsUp(t, len(c.cords))
	}
	c.printSpan(t, already+third+1, already+2*third, 16)
	c.broker.Stop(t)
	c.printSpan(t, already+2*third+1, already+lines, lines) // nobody takes it meanwhile
	c.broker.Start(t)
	for range 3 {
		c.looks(t)
	}
	for _, cord := range c.cords {
		if _, err := cord.Write([]byte("not a line\r\n")); err != nil {
			t.Fatal(err)
		}
	}
	if err := daemon.Process.Signal(unix.SIGHUP); err != nil {
		t.Fatal(err)
	}
	for _, page := range []string{"/", "/weighed", "/api/v1/balances", "/metrics"} {
		c.asks(t, page)
	}
	c.arrivedAll(t, (already+lines)*len(c.cords))
}

// arrivedAll waits until so many lines came.
func (c *crowd) arrivedAll(t *testing.T, want int) {
	t.Helper()
	for limit := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		n := 0
		c.mu.Lock()
		for _, one := range c.arrived {
			n += one
		}
		c.mu.Unlock()
		if n == want {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("%d of %d lines came", n, want)
		}
	}
}

// asks reads one page to its end.
func (c *crowd) asks(t *testing.T, path string) string {
	t.Helper()
	client := http.Client{Timeout: 20 * time.Second}
	defer client.CloseIdleConnections()
	answer, err := client.Get("http://" + c.page + path)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v\n%.300s", path, answer.Status, err, body)
	}
	return string(body)
}

// looks follows the live stream until something was shown, and leaves.
func (c *crowd) looks(t *testing.T) {
	t.Helper()
	ctx, leave := context.WithTimeout(t.Context(), 20*time.Second)
	defer leave()
	ask, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+c.page+"/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := http.DefaultClient.Do(ask)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if _, err := bufio.NewReader(answer.Body).ReadString('\n'); err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("the live stream: %s, %v", answer.Status, err)
	}
}

// numbers are the sums of the daemon's measurements, by name.
func (c *crowd) numbers(t *testing.T) map[string]float64 {
	t.Helper()
	m := map[string]float64{}
	for line := range strings.Lines(c.asks(t, "/metrics")) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), " "); ok && !strings.HasPrefix(line, "#") {
			name, labels, _ := strings.Cut(name, "{")
			if at := strings.LastIndex(line, "} "); labels != "" && at > 0 {
				value = strings.TrimSpace(line[at+2:])
			}
			n, err := strconv.ParseFloat(value, 64)
			if err != nil {
				t.Fatalf("%q: %v", line, err)
			}
			m[name] += n
		}
	}
	return m
}

// portsUp waits until so many ports are open.
func (c *crowd) portsUp(t *testing.T, want int) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); c.numbers(t)["weighpost_port_up"] != float64(want); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("not %d ports are open after 30 s", want)
		}
	}
}

// sizes measures. Something may be under way at any moment, and whoever asks has a connection open: so it looks again, for three
// seconds at most, until as little is open as there was before.
func (c *crowd) sizes(t *testing.T, pid int, before sizes, settle bool) (s sizes) {
	t.Helper()
	if settle {
		time.Sleep(2 * time.Second)
	}
	s = sizes{goroutines: 1e9, descriptors: 1e9}
	for begin, n := time.Now(), 0; n < 20 || s.more(before) && time.Since(begin) < 3*time.Second; n++ {
		m := c.numbers(t)
		s.goroutines, s.descriptors = min(s.goroutines, m["go_goroutines"]), min(s.descriptors, m["process_open_fds"])
		s.heap = int64(m["go_memstats_heap_alloc_bytes"])
		time.Sleep(20 * time.Millisecond)
	}
	s.resident = memoryOf(t, pid, "VmRSS:")
	return s
}

// more says whether more is open than there was before, where that is known.
func (s sizes) more(before sizes) bool {
	return before.goroutines > 0 && (s.goroutines > before.goroutines || s.descriptors > before.descriptors)
}

// slope is the slope of the straight line of least squares through measurements that lie one apart.
func slope(list []sizes, f func(sizes) float64) float64 {
	n := float64(len(list))
	var x, y, xx, xy float64
	for i, s := range list {
		at, v := float64(i), f(s)
		x, y, xx, xy = x+at, y+v, xx+at*at, xy+at*v
	}
	return (n*xy - x*y) / (n*xx - x*x)
}
