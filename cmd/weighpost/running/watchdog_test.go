//go:build linux

package running

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway/needs"
)

// supervisor stands in for systemd: it starts the daemon with a socket to notify and a wish for signs of life, counts them, and
// when none has come for as long as WatchdogSec= says does what systemd does: SIGABRT and SIGCONT, after a while SIGKILL, and a
// new start.
type supervisor struct {
	*rig
	patience time.Duration
	socket   *net.UnixConn

	mu     sync.Mutex
	ready  int
	signs  []time.Time
	status string
	other  []string
}

func supervise(t *testing.T, r *rig, patience time.Duration) *supervisor {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	s := &supervisor{rig: r, patience: patience, socket: socket}
	r.env = append(os.Environ(), "NOTIFY_SOCKET="+path, fmt.Sprintf("WATCHDOG_USEC=%d", patience.Microseconds()))
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 4096)
		for {
			n, err := socket.Read(buf)
			if err != nil {
				return
			}
			s.take(string(buf[:n]))
		}
	}()
	t.Cleanup(func() {
		socket.Close()
		<-done
	})
	return s
}

func (s *supervisor) take(said string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case said == "READY=1":
		s.ready++
	case said == "WATCHDOG=1":
		s.signs = append(s.signs, time.Now())
	case strings.HasPrefix(said, "STATUS="):
		s.status = strings.TrimPrefix(said, "STATUS=")
	default:
		s.other = append(s.other, said)
	}
}

// last is when the last sign of life came.
func (s *supervisor) last() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.signs) == 0 {
		return time.Time{}
	}
	return s.signs[len(s.signs)-1]
}

// launch starts the daemon and waits until it is ready, and has shown further weighings as recorded.
func (s *supervisor) launch(t *testing.T) *exec.Cmd {
	t.Helper()
	s.mu.Lock()
	before := s.ready
	s.mu.Unlock()
	daemon := s.start(t)
	s.await(t, 20*time.Second, "the daemon does not say that it is ready", func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.ready > before
	})
	s.moved(t, daemon, 10)
	return daemon
}

func (s *supervisor) await(t *testing.T, limit time.Duration, otherwise string, f func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			log, _ := os.ReadFile(s.config + ".log")
			t.Fatalf("%s\n%s", otherwise, log[max(0, len(log)-3000):])
		}
	}
}

// steady holds that signs of life come all the time.
func (s *supervisor) steady(t *testing.T, d time.Duration) {
	t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
		if silent := time.Since(s.last()); silent > s.patience {
			t.Fatalf("no sign of life for %s, although nothing is stuck", silent)
		}
	}
}

// trip waits until the watchdog's time is up, and ends the daemon as systemd does. release lets go of what it is stuck in: a
// process that is held from outside is not gone before.
func (s *supervisor) trip(t *testing.T, daemon *exec.Cmd, stuck time.Time, release func()) {
	t.Helper()
	s.await(t, 3*s.patience, "the signs of life do not stop", func() bool { return time.Since(s.last()) > s.patience })
	// A part may stand still for half the patience, and is looked at each eighth.
	if after := s.last().Sub(stuck); after > s.patience*3/4 {
		t.Errorf("the last sign of life came %s after the daemon was stuck; %s are allowed, and an eighth of it between two looks", after, s.patience/2)
	}
	t.Logf("stuck; the last sign of life came %s later, and the watchdog's time was up after %s",
		s.last().Sub(stuck).Round(time.Millisecond), time.Since(stuck).Round(time.Millisecond))
	for _, signal := range []os.Signal{syscall.SIGABRT, syscall.SIGCONT} {
		_ = daemon.Process.Signal(signal)
	}
	for end := time.Now().Add(5 * time.Second); !ended(daemon.Process.Pid) && time.Now().Before(end); {
		time.Sleep(5 * time.Millisecond)
	}
	_ = daemon.Process.Kill()
	release()
	_ = daemon.Wait()
}

// ended says whether a process has ended, be it that nobody has taken note yet, or that its tracer holds what is left.
func ended(pid int) bool {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil || strings.Contains(string(b), ") Z ") {
		return true
	}
	// strace keeps a thread whose system call it delays also from ending with its process. Where that is the first thread,
	// whose end is the process's, it is all that is left of it: a Go program that runs has several.
	threads, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	return err == nil && len(threads) == 1 && strings.Contains(string(b), ") t ")
}

// traffic has the balances print until the returned function is called.
func (s *supervisor) traffic(t *testing.T) (stop func()) {
	t.Helper()
	printing, cancel := context.WithCancel(t.Context())
	var printers sync.WaitGroup
	for _, c := range s.balances {
		printers.Go(func() { c.print(printing, 30*time.Millisecond) })
	}
	return sync.OnceFunc(func() {
		cancel()
		printers.Wait()
	})
}

// hold has system calls of the daemon wait for ten minutes before the kernel sees them, as a disk or a driver that does not
// answer does, and returns once it does.
func hold(t *testing.T, daemon *exec.Cmd, args ...string) (end func()) {
	t.Helper()
	needs.Programs(t, "strace")
	strace := exec.Command("strace", append([]string{"-f", "-o", "/dev/null", "-p", fmt.Sprint(daemon.Process.Pid)}, args...)...)
	said, err := strace.StderrPipe()
	if err == nil {
		err = strace.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	first := make([]byte, 512)
	n, _ := said.Read(first) // "strace: Process … attached"
	if !strings.Contains(string(first[:n]), "attached") {
		t.Fatalf("strace says %q", first[:n])
	}
	go func() { // until strace ends
		for buf := make([]byte, 512); ; {
			if _, err := said.Read(buf); err != nil {
				return
			}
		}
	}()
	return sync.OnceFunc(func() {
		_ = strace.Process.Kill()
		_ = strace.Wait()
	})
}

// finish ends the round: nothing that was acknowledged is lost, in the journal and behind both sinks.
func (s *supervisor) finish(t *testing.T, daemon *exec.Cmd, stopTraffic func()) {
	t.Helper()
	stopTraffic()
	s.drain(t)
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	s.mu.Lock()
	if !strings.Contains(strings.Join(s.other, "\n"), "STOPPING=1") {
		t.Errorf("the daemon did not say that it stops; it said %q", s.other)
	}
	s.mu.Unlock()
	s.judge(t)
}

func (s *supervisor) logged(t *testing.T, what string) {
	t.Helper()
	log, err := os.ReadFile(s.config + ".log")
	if err != nil || !strings.Contains(string(log), what) {
		t.Errorf("the log does not name %s (%v)", what, err)
	}
}

// dumped holds that the daemon left in the log what each of its goroutines was doing, the journal's writer among them.
func (s *supervisor) dumped(t *testing.T) {
	t.Helper()
	s.logged(t, "SIGABRT: abort")
	s.logged(t, "gateway/journal.(*writer)")
	log, _ := os.ReadFile(s.config + ".log")
	t.Logf("%d goroutines are in the log", strings.Count(string(log), "\ngoroutine "))
}

// TestAStuckWriterTripsTheWatchdog: a sync of the journal that does not return ends the signs of life; the supervisor starts the
// daemon again, and nothing that was acknowledged is lost.
func TestAStuckWriterTripsTheWatchdog(t *testing.T) {
	t.Parallel()
	s := supervise(t, newRig(t), 4*time.Second)
	stop := s.traffic(t)
	defer stop()
	daemon := s.launch(t)
	s.steady(t, s.patience*3/2)
	s.await(t, 5*time.Second, "the status does not come", func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return strings.HasPrefix(s.status, "Recording: 3 of 3 balances connected, 2 sinks")
	})
	end := hold(t, daemon, "-e", "trace=fdatasync,fsync", "-e", "inject=fdatasync,fsync:delay_enter=600000000")
	defer end()
	s.trip(t, daemon, time.Now(), end)
	s.logged(t, "recording-stuck")
	s.dumped(t)
	s.finish(t, s.launch(t), stop)
}

// TestAStuckBalanceTripsTheWatchdog: whoever takes the log has stopped taking it, and the pipeline of a balance waits for its
// line to be taken. The supervisor starts the daemon again.
func TestAStuckBalanceTripsTheWatchdog(t *testing.T) {
	t.Parallel()
	s := supervise(t, newRig(t), 4*time.Second)
	taker := newLogTaker(t)
	s.stderr = taker.end
	stop := s.traffic(t)
	defer stop()
	daemon := s.launch(t)
	s.steady(t, s.patience)
	taker.freeze(t)
	s.steady(t, s.patience) // nobody logs anything: nothing is stuck
	stuck := time.Now()
	if err := s.balances[0].cord.Pull(); err != nil {
		t.Fatal(err)
	}
	s.await(t, 2*s.patience, "/readyz does not name the balance", func() bool { return strings.Contains(s.readyz(t), "balance-stuck") })
	s.trip(t, daemon, stuck, func() {})
	taker.thaw()
	if err := s.balances[0].cord.Plug(); err != nil {
		t.Fatal(err)
	}
	s.finish(t, s.launch(t), stop)
}

// readyz asks the daemon that was started last what is wrong.
func (s *supervisor) readyz(t *testing.T) string {
	t.Helper()
	log, err := os.ReadFile(s.config + ".log")
	if err != nil {
		t.Fatal(err)
	}
	pages := regexp.MustCompile(`page: (http://\S+/)`).FindAllSubmatch(log, -1)
	if len(pages) == 0 {
		t.Fatalf("the daemon does not name its page: %s", log)
	}
	answer, err := http.Get(string(pages[len(pages)-1][1]) + "readyz")
	if err != nil {
		return ""
	}
	defer answer.Body.Close()
	body, _ := io.ReadAll(answer.Body)
	return string(body)
}

// logTaker takes a log from a pipe, as systemd's journal does.
type logTaker struct {
	end   *os.File // for the daemon to write to
	pipe  *os.File
	taken sync.WaitGroup
}

func newLogTaker(t *testing.T) *logTaker {
	t.Helper()
	l := &logTaker{}
	var err error
	if l.pipe, l.end, err = os.Pipe(); err != nil {
		t.Fatal(err)
	}
	l.thaw()
	t.Cleanup(func() {
		l.pipe.Close()
		l.end.Close()
		l.taken.Wait()
	})
	return l
}

// thaw takes what comes, until frozen.
func (l *logTaker) thaw() {
	_ = l.pipe.SetReadDeadline(time.Time{})
	l.taken.Go(func() { _, _ = io.Copy(io.Discard, l.pipe) })
}

// freeze takes nothing more, and leaves no room in the pipe. It writes through an opening of its own: what is not to block
// there would not block for the daemon either.
func (l *logTaker) freeze(t *testing.T) {
	t.Helper()
	_ = l.pipe.SetReadDeadline(time.Now())
	l.taken.Wait()
	var name string
	raw, err := l.end.SyscallConn()
	if err == nil {
		err = raw.Control(func(fd uintptr) { name = fmt.Sprintf("/proc/self/fd/%d", fd) })
	}
	if err != nil {
		t.Fatal(err)
	}
	fd, err := unix.Open(name, unix.O_WRONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	for _, size := range []int{4096, 1} {
		for {
			if _, err := unix.Write(fd, make([]byte, size)); err == unix.EAGAIN {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestAFrozenDaemonTripsTheWatchdog: kill -STOP.
func TestAFrozenDaemonTripsTheWatchdog(t *testing.T) {
	t.Parallel()
	s := supervise(t, newRig(t), 3*time.Second)
	stop := s.traffic(t)
	defer stop()
	daemon := s.launch(t)
	if err := daemon.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	s.trip(t, daemon, time.Now(), func() {})
	s.dumped(t)
	s.finish(t, s.launch(t), stop)
}

// TestAReloadIsTold: from RELOADING=1 with the time that Type=notify-reload asks for, to READY=1; a file with mistakes as well.
func TestAReloadIsTold(t *testing.T) {
	t.Parallel()
	s := supervise(t, newRig(t), 10*time.Second)
	stop := s.traffic(t)
	defer stop()
	daemon := s.launch(t)
	good, err := os.ReadFile(s.config)
	if err != nil {
		t.Fatal(err)
	}
	for n, text := range []string{string(good), "sit: x\n" + string(good), string(good)} {
		if err := os.WriteFile(s.config, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		_ = daemon.Process.Signal(syscall.SIGHUP)
		s.await(t, 20*time.Second, "the reload is not told", func() bool {
			s.mu.Lock()
			defer s.mu.Unlock()
			return s.ready == n+2 && len(s.other) == n+1
		})
		if told := s.other[n]; !regexp.MustCompile(`^RELOADING=1\nMONOTONIC_USEC=\d+\n?$`).MatchString(told) {
			t.Errorf("told is %q", told)
		}
	}
	s.finish(t, daemon, stop)
}

// TestAFullDiskTripsNothing: the daemon says that it does not record, gives signs of life all the while, and goes on by itself
// once there is space.
func TestAFullDiskTripsNothing(t *testing.T) {
	t.Parallel()
	needs.Root(t, "to mount a small disk")
	s := supervise(t, newRig(t), 3*time.Second)
	if err := os.Mkdir(s.journal, 0o755); err != nil {
		t.Fatal(err)
	}
	mount(t, "mount", "-t", "tmpfs", "-o", "size=64m", "weighpost-test", s.journal)
	t.Cleanup(func() { mount(t, "umount", "-l", s.journal) })
	stop := s.traffic(t)
	defer stop()
	daemon := s.launch(t)
	said := func(begin string) func() bool {
		return func() bool {
			s.mu.Lock()
			defer s.mu.Unlock()
			return strings.HasPrefix(s.status, begin)
		}
	}
	// Another program fills the disk once recording is seen: a disk that is small enough for weighings to fill may be full before any is.
	ballast := needs.Fill(t, s.journal)
	s.await(t, 60*time.Second, "a full disk is not said", func() bool { return strings.Contains(s.line(), "Nothing is recorded") })
	s.steady(t, s.patience*5/2)
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	s.await(t, 30*time.Second, "recording does not resume", said("Recording: 3 of 3"))
	if s.started != 1 {
		t.Errorf("the daemon was started %d times", s.started)
	}
	s.finish(t, daemon, stop)
}

func (s *supervisor) line() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}

func mount(t *testing.T, command ...string) {
	t.Helper()
	if out, err := exec.Command(command[0], command[1:]...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %v %s", command, err, out)
	}
}
