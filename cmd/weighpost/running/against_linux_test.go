package running

import (
	"bufio"
	"cmp"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// way is how a crowd of balances prints.
type way struct {
	name     string
	balances int
	each     int // lines of each
	print    func(c *crowd, tb testing.TB)
}

const tenth = 100 * time.Millisecond

// tenASecond is so many balances that print ten lines of 20 bytes a second each, for so long.
func tenASecond(balances int, long time.Duration) way {
	return way{fmt.Sprint(balances), balances, int(long / tenth), func(c *crowd, tb testing.TB) { c.printSteadily(tb, tenth) }}
}

func flatOut(balances, each int) way {
	return way{fmt.Sprintf("%d, flat out", balances), balances, each, func(c *crowd, tb testing.TB) { c.printFlatOut(tb, 16) }}
}

// outcome is what one reader took for all lines of a crowd.
type outcome struct {
	lines, lost, doubled int
	cpu, elapsed         time.Duration
	resident             int64 // bytes, the most there ever was
	p50, p99             time.Duration
}

// timerSlack is what weighpost.service sets for the daemon (TimerSlackNSec). Every reader is given the same.
const timerSlack = time.Millisecond

// measure runs one reader over a new crowd. CPU is that of the reader's process from when it heard all balances to its end, so
// that neither the balances nor the broker are counted; times are from a line's last byte to the subscriber.
func measure(tb testing.TB, w way, r reader) outcome {
	tb.Helper()
	c := newCrowd(tb, w.balances, w.each)
	name := c.config(tb)
	child := r.command(c, name)
	log, err := os.Create(filepath.Join(c.dir, "reader.log"))
	if err != nil {
		tb.Fatal(err)
	}
	defer log.Close()
	child.Dir, child.Stdout, child.Stderr = c.dir, log, log
	if err := startSlack(child); err != nil {
		tb.Fatal(err)
	}
	defer child.Process.Kill()
	c.warmUp(tb)
	before, begin := cpuOf(tb, child.Process.Pid), time.Now()
	w.print(c, tb)
	c.drain(60 * time.Second)
	elapsed := time.Since(begin)
	resident := mostResident(tb, child.Process.Pid)
	if err := child.Process.Signal(unix.SIGTERM); err != nil {
		tb.Fatal(err)
	}
	if err := child.Wait(); err != nil {
		said, _ := os.ReadFile(log.Name())
		tb.Errorf("%s did not end in good order: %v\n%s", r.name, err, said[max(0, len(said)-2000):])
	}
	o := outcome{lines: w.balances * w.each, elapsed: elapsed, resident: resident}
	o.cpu = child.ProcessState.UserTime() + child.ProcessState.SystemTime() - before
	var times []time.Duration
	if o.lost, o.doubled, times = c.counts(); len(times) > 0 {
		o.p50, o.p99 = times[len(times)/2], times[len(times)*99/100]
	}
	if o.lost > 0 && strings.HasPrefix(r.name, "weighpost") {
		tb.Errorf("%s lost %d of %d lines of %s balances", r.name, o.lost, o.lines, w.name)
	}
	return o
}

// startSlack starts a program with the timer slack of weighpost's unit: it is that of the thread that starts it, see prctl(2).
func startSlack(cmd *exec.Cmd) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	was, err := unix.PrctlRetInt(unix.PR_GET_TIMERSLACK, 0, 0, 0, 0)
	if err != nil {
		return err
	}
	if err := unix.Prctl(unix.PR_SET_TIMERSLACK, uintptr(timerSlack), 0, 0, 0); err != nil {
		return err
	}
	defer unix.Prctl(unix.PR_SET_TIMERSLACK, uintptr(was), 0, 0, 0)
	return cmd.Start()
}

// cpuOf is what a process has used of the processors so far: its CPU-time clock, see clock_getcpuclockid(3).
func cpuOf(tb testing.TB, pid int) time.Duration {
	tb.Helper()
	const scheduler = 2 // CPUCLOCK_SCHED
	var t unix.Timespec
	if err := unix.ClockGettime(int32(^pid<<3|scheduler), &t); err != nil {
		tb.Fatal(err)
	}
	return time.Duration(t.Nano())
}

// mostResident is the most memory that a process ever had, from /proc: proc(5), VmHWM.
func mostResident(tb testing.TB, pid int) int64 { return memoryOf(tb, pid, "VmHWM:") }

// memoryOf is one of the sizes in /proc/PID/status, in bytes.
func memoryOf(tb testing.TB, pid int, which string) int64 {
	tb.Helper()
	f, err := os.Open(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), which); ok {
			kB, err := strconv.ParseInt(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
			if err != nil {
				tb.Fatal(err)
			}
			return kB << 10
		}
	}
	tb.Fatalf("/proc says nothing of %s", which)
	return 0
}

// reader is a program that reads balances, makes each line durable and publishes it.
type reader struct {
	name    string
	command func(c *crowd, config string) *exec.Cmd
}

// readers are those that can be had here, weighpost first. WEIGHPOST_BENCH_BEFORE names another build of weighpost to compare with.
func readers(tb testing.TB) []reader {
	tb.Helper()
	list := []reader{daemonReader("weighpost", built)}
	if before := os.Getenv("WEIGHPOST_BENCH_BEFORE"); before != "" {
		list = append(list, daemonReader("weighpost before", before))
	}
	script := filepath.Join(tb.TempDir(), "script")
	if out, err := exec.Command("go", "build", "-o", script, "weighpost/testdata/bench/script").CombinedOutput(); err != nil {
		tb.Fatalf("the script cannot be built: %v\n%s", err, out)
	}
	list = append(list, reader{"script in Go", func(c *crowd, _ string) *exec.Cmd {
		return exec.Command(script, c.broker.Addr(), c.dir, strconv.Itoa(len(c.cords)))
	}})
	text, err := filepath.Abs("../../../testdata/bench/script.py")
	if err != nil {
		tb.Fatal(err)
	}
	for _, python := range []string{os.Getenv("WEIGHPOST_BENCH_PYTHON"), "python3", "/usr/bin/python3"} {
		if python != "" && exec.Command(python, "-c", "import serial, paho.mqtt.client").Run() == nil {
			return append(list, reader{"script in Python", func(c *crowd, _ string) *exec.Cmd {
				return exec.Command(python, text, c.broker.Addr(), c.dir, strconv.Itoa(len(c.cords)))
			}})
		}
	}
	fmt.Fprintln(os.Stderr, "No python3 here has pyserial and paho-mqtt: the script in Python is left out.")
	return list
}

func daemonReader(name, program string) reader {
	return reader{name, func(_ *crowd, config string) *exec.Cmd { return exec.Command(program, "run", "--config", config) }}
}

// median gives the median of each figure, and the worst of what must not be.
func median(of []outcome) outcome {
	m := of[0]
	pick := func(f func(o outcome) int64) int64 {
		var list []int64
		for _, o := range of {
			list = append(list, f(o))
		}
		slices.Sort(list)
		return list[len(list)/2]
	}
	for _, o := range of {
		m.lost, m.doubled = max(m.lost, o.lost), max(m.doubled, o.doubled)
	}
	m.cpu = time.Duration(pick(func(o outcome) int64 { return int64(o.cpu) }))
	m.elapsed = time.Duration(pick(func(o outcome) int64 { return int64(o.elapsed) }))
	m.p50 = time.Duration(pick(func(o outcome) int64 { return int64(o.p50) }))
	m.p99 = time.Duration(pick(func(o outcome) int64 { return int64(o.p99) }))
	m.resident = pick(func(o outcome) int64 { return o.resident })
	return m
}

// compare has each reader take every way of printing in turns, so many times, and writes the medians as a table.
func compare(list []reader, times int, ways []way, each func(w way, r reader, f func(tb testing.TB))) string {
	var table strings.Builder
	table.WriteString("| balances | reader | lost of | doubled | CPU s per 1,000 | against weighpost | p50 ms | p99 ms | MiB | lines/s |\n")
	table.WriteString("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n")
	for _, w := range ways {
		got := map[string][]outcome{}
		for range times {
			for _, r := range list {
				each(w, r, func(tb testing.TB) { got[r.name] = append(got[r.name], measure(tb, w, r)) })
			}
		}
		ours := got["weighpost"]
		for _, r := range list {
			if len(got[r.name]) > 0 && len(ours) > 0 {
				m := median(got[r.name])
				fmt.Fprintf(&table, "| %s | %s | %d of %d | %d | %.3f | %.2f × | %.1f | %.1f | %d | %.0f |\n", w.name, r.name, m.lost, m.lines, m.doubled,
					m.cpu.Seconds()*1000/float64(m.lines), float64(m.cpu)/float64(median(ours).cpu), float64(m.p50.Microseconds())/1000,
					float64(m.p99.Microseconds())/1000, m.resident>>20, float64(m.lines)/m.elapsed.Seconds())
			}
		}
	}
	return table.String()
}

// BenchmarkAgainstTheScript compares the built program with the straightforward script (testdata/bench/script, and script.py
// where a python3 has pyserial and paho-mqtt), each as its own process, on the same pseudo-terminals, mosquitto and disk. It
// prints a table of medians of three turns, in about twelve minutes (eight without Python):
//
//	go test ./cmd/weighpost/running -run XXX -bench AgainstTheScript -benchtime 1x -timeout 30m
//
// WEIGHPOST_BENCH_DIR names a folder on the disk to be measured; WEIGHPOST_BENCH_BEFORE another build of weighpost to take
// along; WEIGHPOST_BENCH_TURNS another number of turns.
func BenchmarkAgainstTheScript(b *testing.B) {
	turns, err := strconv.Atoi(cmp.Or(os.Getenv("WEIGHPOST_BENCH_TURNS"), "3"))
	if err != nil || turns < 1 {
		b.Fatalf("WEIGHPOST_BENCH_TURNS=%s is no number of turns", os.Getenv("WEIGHPOST_BENCH_TURNS"))
	}
	const long = 12 * time.Second
	ways := []way{tenASecond(1, long), tenASecond(8, long), tenASecond(64, long), tenASecond(256, long), flatOut(64, 300)}
	fmt.Print("\n" + compare(readers(b), turns, ways, func(w way, r reader, f func(tb testing.TB)) {
		b.Run(w.name+"/"+r.name, func(b *testing.B) { f(b) })
	}))
}

// BenchmarkCrowds has weighpost alone read 1,000 balances that print a line a second, and 256 that print 100 lines at once. Nothing
// may be lost. It prints a table as BenchmarkAgainstTheScript does.
//
//	go test ./cmd/weighpost/running -run XXX -bench Crowds -benchtime 1x
func BenchmarkCrowds(b *testing.B) {
	ways := []way{
		{"1,000 at a line a second", 1000, 20, func(c *crowd, tb testing.TB) { c.printSteadily(tb, time.Second) }},
		{"256, bursts of 100 lines on all at once", 256, 300, func(c *crowd, tb testing.TB) { c.printBursts(tb, 100, 5*time.Second) }},
	}
	fmt.Print("\n" + compare([]reader{daemonReader("weighpost", built)}, 1, ways, func(w way, r reader, f func(tb testing.TB)) {
		b.Run(w.name, func(b *testing.B) { f(b) })
	}))
}

// TestTheHarnessLosesNothing runs the comparison in short: it is whole, and weighpost loses and doubles nothing.
func TestTheHarnessLosesNothing(t *testing.T) {
	ways, list := []way{tenASecond(4, time.Second/2), flatOut(2, 40)}, readers(t)
	for i := range ways {
		r := list[i] // each once
		o := measure(t, ways[i], r)
		t.Logf("%s, %s: %+v", ways[i].name, r.name, o)
		if o.lost != 0 || o.doubled != 0 || o.cpu <= 0 || o.p50 <= 0 || o.resident < 1<<20 {
			t.Errorf("%s, %s: %+v", ways[i].name, r.name, o)
		}
	}
}
