//go:build linux

package running

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
)

// ptyHolds is what a pseudo-terminal keeps for a reader that does not read, in bytes, measured on Linux 6.
const ptyHolds = 16_048

// TestAFrozenDaemonLosesNothingThatThePortHolds: the program is stopped like a machine that hangs, the balances print as
// much as their ports hold, and it goes on. Every line is a weighing, and no stamp claims more than is known: with time servers
// that agree, the true time of each line is within its bound, also of those that waited.
func TestAFrozenDaemonLosesNothingThatThePortHolds(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.asks(t, timeServer(t), timeServer(t), timeServer(t))
	daemon := r.start(t)
	r.checked(t)
	c := r.balances[0]
	printed := map[int64]time.Time{} // thousandths of a gram → when the last byte was on its way
	print := func() {
		c.sent++
		if _, err := fmt.Fprintf(c.cord, "%6d.%03d g\r\n", c.sent/1000, c.sent%1000); err != nil {
			t.Fatal(err)
		}
		printed[c.sent] = time.Now()
	}
	const lineBytes = 14
	const aLine = 20 * time.Millisecond // its time on a wire of 9,600 baud, which a pseudo-terminal does not take
	r.opened(t)
	print()
	r.recorded(t, 1)
	if err := daemon.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	for range ptyHolds / lineBytes {
		print()
	}
	time.Sleep(1500 * time.Millisecond) // this long it is frozen
	if err := daemon.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	r.arrived(t, len(printed)) // the live stream is lossy, and such a burst is more than it carries
	print()
	r.arrived(t, len(printed))
	r.drain(t)
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	r.judge(t)
	waited := 0
	for _, w := range r.weighings(t) {
		v, err := strconv.ParseInt(strings.Replace(w.Value.Digits, ".", "", 1), 10, 64)
		at, ours := printed[v]
		if err != nil || !ours {
			t.Errorf("%s was never printed", w.Value.Digits)
			continue
		}
		delete(printed, v)
		off := w.Stamp.UTC.Time().Sub(at).Abs()
		if off > time.Second {
			waited++
		}
		if w.Stamp.Bound == nil || off > time.Duration(*w.Stamp.Bound)+aLine {
			t.Errorf("%s was printed at %s, and its stamp is %+v", w.Value.Digits, at, w.Stamp)
		}
	}
	if len(printed) > 0 {
		t.Errorf("%d lines are no weighings", len(printed))
	}
	if waited == 0 {
		t.Error("no line has waited: the daemon was not frozen")
	}
}

// TestAPortThatIsFullHoldsItsBalanceUp: beyond what a pseudo-terminal holds, its other end cannot write, and goes on when
// the daemon does. A serial adapter has nobody to hold up: what comes when its driver's buffer is full is gone.
func TestAPortThatIsFullHoldsItsBalanceUp(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	held, err := os.OpenFile(slave, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	n := 0
	line := []byte("     0.001 g\r\n")
	for err == nil {
		if err = master.SetWriteDeadline(time.Now().Add(300 * time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		var wrote int
		wrote, err = master.Write(line)
		n += wrote
	}
	if !errors.Is(err, os.ErrDeadlineExceeded) || n < ptyHolds-len(line) {
		t.Errorf("a pseudo-terminal holds %d bytes, and then says %v", n, err)
	}
	t.Logf("a pseudo-terminal holds %d bytes; the next write waits", n)
}

// TestASlowDiskDelaysWhatIsRecordedAndNotWhatIsShown: each sync takes half a second longer. The live stream shows every
// line before the first of them is shown as recorded, and all of them are recorded in the end.
func TestASlowDiskDelaysWhatIsRecordedAndNotWhatIsShown(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "strace")
	r := newRig(t)
	daemon := r.start(t)
	r.opened(t)
	c := r.balances[0]
	print := func() {
		c.sent++
		if _, err := fmt.Fprintf(c.cord, "%6d.%03d g\r\n", c.sent/1000, c.sent%1000); err != nil {
			t.Fatal(err)
		}
	}
	print()
	r.recorded(t, 1)
	shown := r.far.shown()
	slow := exec.CommandContext(t.Context(), "strace", "-f", "-qq", "-o", "/dev/null", "-p", strconv.Itoa(daemon.Process.Pid),
		"-e", "trace=fdatasync,fsync", "-e", "inject=fdatasync,fsync:delay_enter=500000")
	if err := slow.Start(); err != nil {
		t.Fatal(err)
	}
	r.traced(t, daemon.Process.Pid)
	const lines = 20
	for range lines {
		print()
		time.Sleep(5 * time.Millisecond) // as a balance would at 200 lines a second
	}
	shownFirst := 0
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(time.Millisecond) {
		if _, acks := r.far.counts(); acks > 1 {
			shownFirst = r.far.shown() - shown
			break
		}
		if time.Now().After(limit) {
			t.Fatal("nothing is recorded on a slow disk")
		}
	}
	if shownFirst < lines {
		t.Errorf("%d of %d lines were shown before the first was recorded", shownFirst, lines)
	}
	_ = slow.Process.Signal(syscall.SIGINT)
	_ = slow.Wait()
	r.recorded(t, 1+lines)
	r.drain(t)
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	r.judge(t)
}

// asks gives the daemon time servers.
func (r *rig) asks(t *testing.T, servers ...string) {
	t.Helper()
	f, err := os.OpenFile(r.config, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := fmt.Fprintf(f, "clock: {servers: [\"%s\"]}\n", strings.Join(servers, `", "`)); err != nil {
		t.Fatal(err)
	}
}

// timeServer answers as one does that has this computer's time (RFC 5905, mode 4), until the test ends.
func timeServer(t *testing.T) (address string) {
	t.Helper()
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	stamp := func(b []byte, at time.Time) {
		binary.BigEndian.PutUint32(b, uint32(at.Unix()+2_208_988_800)) // since 1900
		binary.BigEndian.PutUint32(b[4:], uint32(uint64(at.Nanosecond())<<32/1_000_000_000))
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		in := make([]byte, 512)
		for {
			n, from, err := conn.ReadFrom(in)
			if err != nil {
				return
			}
			if n < 48 {
				continue
			}
			now := time.Now()
			out := make([]byte, 48)
			out[0], out[1], out[2], out[3] = in[0]&0x38|4, 1, in[2], 0xec
			copy(out[12:], "TEST")
			stamp(out[16:], now.Add(-time.Second))
			copy(out[24:32], in[40:48])
			stamp(out[32:], now)
			stamp(out[40:], time.Now())
			_, _ = conn.WriteTo(out, from)
		}
	}()
	t.Cleanup(func() { _ = conn.Close(); <-done })
	return conn.LocalAddr().String()
}

// checked waits until the daemon's clock is.
func (r *rig) checked(t *testing.T) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		is := false
		_ = journal.Scan(t.Context(), r.journal, 0, func(e record.Entry) error {
			is = is || e.Kind == record.KindClockChanged && strings.Contains(string(e.JSON), `"state":"checked"`)
			return nil
		})
		if is {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("the clock is not checked:\n%s", r.log(t))
		}
	}
}

// opened waits until the daemon has opened every port, and for the silence after which a line is known to be heard from its
// beginning.
func (r *rig) opened(t *testing.T) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); strings.Count(r.log(t), "port open") < len(r.balances); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("the daemon does not open its ports:\n%s", r.log(t))
		}
	}
	time.Sleep(100 * time.Millisecond)
}

// recorded waits until so many weighings are shown as recorded.
func (r *rig) recorded(t *testing.T, n int) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		_, acks := r.far.counts()
		if acks >= n {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("%d of %d weighings are shown as recorded\n%s", acks, n, r.log(t))
		}
	}
}

// arrived waits until so many weighings are behind the broker.
func (r *rig) arrived(t *testing.T, n int) {
	t.Helper()
	before := 0
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		delivered, _ := r.far.counts()
		if delivered >= n {
			return
		}
		if delivered > before { // what counts is that it gets on
			before, limit = delivered, time.Now().Add(30*time.Second)
		}
		if time.Now().After(limit) {
			t.Fatalf("%d of %d weighings arrived\n%s", delivered, n, r.log(t))
		}
	}
}

// traced waits until another program has stopped every thread of a process once.
func (r *rig) traced(t *testing.T, pid int) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		all, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/status", pid))
		if err != nil {
			t.Fatal(err)
		}
		untraced := 0
		for _, name := range all {
			if b, err := os.ReadFile(name); err == nil && strings.Contains(string(b), "TracerPid:\t0") {
				untraced++
			}
		}
		if len(all) > 0 && untraced == 0 {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("%d of %d threads are not traced", untraced, len(all))
		}
	}
}

// weighings reads the journal's.
func (r *rig) weighings(t *testing.T) (list []record.Weighing) {
	t.Helper()
	err := journal.Scan(t.Context(), r.journal, 0, func(e record.Entry) error {
		if e.Kind != record.KindWeighing {
			return nil
		}
		var w record.Weighing
		err := json.Unmarshal(e.JSON, &w)
		list = append(list, w)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}
