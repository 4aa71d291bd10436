package fleet

import (
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/sinks/nats/natstest"
)

// taken is what servers have taken of the machine so far, all together.
type taken struct {
	cpu      time.Duration
	resident int64 // bytes, now
	disk     int64 // bytes allocated in their folders, now
}

func (a taken) since(b taken) time.Duration { return a.cpu - b.cpu }

// look reads what the servers have taken. The kernel counts processor time in hundredths of a second (proc(5), stat, fields 14 and 15).
func look(t testing.TB, cluster *natstest.Cluster, servers int) (sum taken) {
	t.Helper()
	for i := range servers {
		proc := fmt.Sprintf("/proc/%d/", cluster.PID(i))
		stat, err := os.ReadFile(proc + "stat")
		if err != nil {
			t.Fatal(err)
		}
		fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:])) // the first is number 3
		for _, n := range []int{14, 15} {
			ticks, err := strconv.ParseInt(fields[n-3], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			sum.cpu += time.Duration(ticks) * 10 * time.Millisecond
		}
		status, err := os.ReadFile(proc + "status")
		if err != nil {
			t.Fatal(err)
		}
		_, rest, _ := strings.Cut(string(status), "VmRSS:")
		kB, err := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		sum.resident += kB << 10
		sum.disk += folder(t, cluster.Dir(i))
	}
	return sum
}

// folder counts the bytes of all files below a folder.
func folder(t testing.TB, dir string) (sum int64) {
	t.Helper()
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return nil // it went away while it was looked for
		}
		if info, err := d.Info(); err == nil {
			sum += info.Size()
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return sum
}

// relay passes bytes between gateways and one server, and counts them.
type relay struct {
	listener net.Listener
	to       string
	up, down atomic.Int64
	opened   atomic.Int64 // connections so far

	mu      sync.Mutex
	conns   map[net.Conn]bool // nil once it is closed
	running sync.WaitGroup
}

func startRelay(t testing.TB, to string) *relay {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{listener: l, to: to, conns: map[net.Conn]bool{}}
	r.running.Go(r.accept)
	t.Cleanup(r.close)
	return r
}

func (r *relay) URL() string { return "nats://" + r.listener.Addr().String() }

func (r *relay) accept() {
	for {
		near, err := r.listener.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", r.to)
		if err != nil {
			near.Close()
			continue
		}
		r.opened.Add(1)
		if !r.keep(near, far) {
			return
		}
		r.running.Go(func() { r.pass(far, near, &r.up) })
		r.running.Go(func() { r.pass(near, far, &r.down) })
	}
}

func (r *relay) keep(conns ...net.Conn) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range conns {
		if r.conns == nil {
			c.Close()
			continue
		}
		r.conns[c] = true
	}
	return r.conns != nil
}

// pass copies one way until either end is closed, and then closes both.
func (r *relay) pass(to, from net.Conn, count *atomic.Int64) {
	_, _ = io.Copy(counting{to, count}, from) // whatever ended it, it has ended
	to.Close()
	from.Close()
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.conns, to)
	delete(r.conns, from)
}

func (r *relay) close() {
	r.listener.Close()
	r.mu.Lock()
	for c := range r.conns {
		c.Close()
	}
	r.conns = nil
	r.mu.Unlock()
	r.running.Wait()
}

type counting struct {
	net.Conn
	count *atomic.Int64
}

func (c counting) Write(p []byte) (int, error) {
	n, err := c.Conn.Write(p)
	c.count.Add(int64(n))
	return n, err
}
