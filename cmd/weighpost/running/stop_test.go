//go:build linux

package running

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// stopPromise is how long an orderly stop may take, from the signal to the end of the process.
const stopPromise = 5 * time.Second

// TestACleanStopKeepsWhatWasReceived: SIGTERM under traffic. What the daemon has read from its ports by then is in the journal,
// and the process has ended within five seconds, whatever its sinks and its disk are doing.
func TestACleanStopKeepsWhatWasReceived(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		broker func(*mosquitto.Broker, *testing.T) // what happens to the broker under traffic
		strace []string
	}{
		{name: "all well"},
		{name: "frozen broker, hanging receiver", broker: func(b *mosquitto.Broker, t *testing.T) { b.Freeze(t) }},
		{name: "broker gone, slow disk", broker: func(b *mosquitto.Broker, t *testing.T) { b.Kill(t) },
			strace: []string{"-e", "trace=fdatasync,fsync", "-e", "inject=fdatasync,fsync:delay_enter=80000"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStopRig(t)
			daemon := s.launch(t)
			printing, stop := context.WithCancel(t.Context())
			defer stop()
			var printers sync.WaitGroup
			for _, b := range s.balances {
				printers.Go(func() { b.print(printing, 8*time.Millisecond) })
			}
			time.Sleep(300 * time.Millisecond) // some traffic
			if c.broker != nil {
				c.broker(s.broker, t)
			}
			end := func() {}
			if c.strace != nil {
				end = hold(t, daemon, c.strace...)
			}
			time.Sleep(700 * time.Millisecond) // a backlog
			began := time.Now()
			_ = daemon.Process.Signal(syscall.SIGTERM)
			time.AfterFunc(200*time.Millisecond, stop) // it goes on for a while, and then what waits in the ports can be counted
			for !ended(daemon.Process.Pid) && time.Since(began) < 3*stopPromise {
				time.Sleep(time.Millisecond)
			}
			took := time.Since(began)
			end()
			printers.Wait()
			if err := daemon.Wait(); err != nil {
				log, _ := os.ReadFile(s.config + ".log")
				t.Errorf("it did not end in good order: %v\n%s", err, log)
			}
			if took > stopPromise {
				t.Errorf("the stop took %s; promised are %s", took, stopPromise)
			}
			t.Logf("stopped in %s with %d lines received", took.Round(time.Millisecond), s.judgeStop(t))
		})
	}
}

// TestAStopWithAStuckDiskEndsToo: what cannot be journalled is said, and the process ends within the promise.
func TestAStopWithAStuckDiskEndsToo(t *testing.T) {
	t.Parallel()
	s := newStopRig(t)
	daemon := s.launch(t)
	end := hold(t, daemon, "-e", "trace=fdatasync,fsync", "-e", "inject=fdatasync,fsync:delay_enter=600000000")
	defer end()
	if _, err := fmt.Fprint(s.balances[0].cord, "     0.001 g\r\n"); err != nil {
		t.Fatal(err)
	}
	time.Sleep(500 * time.Millisecond)
	began := time.Now()
	_ = daemon.Process.Signal(syscall.SIGTERM)
	for !ended(daemon.Process.Pid) && time.Since(began) < 3*stopPromise {
		time.Sleep(time.Millisecond)
	}
	took := time.Since(began)
	end()
	_ = daemon.Wait()
	log, _ := os.ReadFile(s.config + ".log")
	if took > stopPromise || daemon.ProcessState.ExitCode() != 1 || !strings.Contains(string(log), "stopping the balances: not ended in time") {
		t.Errorf("it took %s and ended with status %d:\n%s", took, daemon.ProcessState.ExitCode(), log)
	}
	t.Logf("stopped in %s", took.Round(time.Millisecond))
}

// stopRig is a daemon with four balances, a broker, a folder, and a receiver that takes requests and never answers.
type stopRig struct {
	program, config, journal string
	broker                   *mosquitto.Broker
	balances                 []*counter
	slaves                   []*os.File // the daemon's ends, held open so that what it has not read can be counted
}

func newStopRig(t *testing.T) *stopRig {
	t.Helper()
	dir := t.TempDir()
	s := &stopRig{program: program(t, dir), config: filepath.Join(dir, "weighpost.yaml"), journal: filepath.Join(dir, "journal"),
		broker: mosquitto.Start(t, mosquitto.Options{})}
	layout, err := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: %q}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n", s.journal)
	for i := range 4 {
		c := &counter{id: fmt.Sprintf("b-%d", i+1), cord: plugged(t, filepath.Join(dir, fmt.Sprintf("port-%d", i+1)))}
		slave, err := os.OpenFile(c.cord.Path(), os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { slave.Close() })
		s.balances, s.slaves = append(s.balances, c), append(s.slaves, slave)
		text += fmt.Sprintf("- {id: %s, port: {address: %q, speed: 115200}, layout: %q, record: all}\n", c.id, c.cord.Path(), layout)
	}
	text += fmt.Sprintf("sinks:\n- {id: broker, kind: mqtt, broker: \"tcp://%s\", live: true}\n- {id: folder, kind: files, folder: %q}\n"+
		"- {id: lake, kind: http, url: \"http://%s/weighings\"}\n", s.broker.Addr(), dir, hangingReceiver(t))
	if err := os.WriteFile(s.config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return s
}

// hangingReceiver takes connections and what comes on them, and never answers.
func hangingReceiver(t *testing.T) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() { // until the daemon hangs up
				defer c.Close()
				buf := make([]byte, 4096)
				for {
					if _, err := c.Read(buf); err != nil {
						return
					}
				}
			})
		}
	})
	t.Cleanup(func() {
		l.Close()
		all.Wait()
	})
	return l.Addr().String()
}

func (s *stopRig) launch(t *testing.T) *exec.Cmd {
	t.Helper()
	daemon := exec.CommandContext(t.Context(), s.program, "run", "--config", s.config)
	out, err := daemon.StdoutPipe()
	log, absent := os.Create(s.config + ".log")
	if err != nil || absent != nil {
		t.Fatal(err, absent)
	}
	daemon.Stderr = log
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	log.Close()
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		t.Fatalf("%q %v", line, err)
	}
	for limit := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		log, _ := os.ReadFile(s.config + ".log")
		if strings.Count(string(log), "port open") == len(s.balances) {
			break
		}
		if time.Now().After(limit) {
			t.Fatalf("the ports are not open: %s", log)
		}
	}
	time.Sleep(200 * time.Millisecond) // a silence, after which a line's beginning is no doubt
	return daemon
}

// judgeStop holds the journal to what the daemon has read: of each balance all that was printed less what still waits in its
// port, in order and without a gap.
func (s *stopRig) judgeStop(t *testing.T) (received int64) {
	t.Helper()
	report, err := journal.Verify(t.Context(), s.journal, "", nil)
	if err != nil || !report.Verified {
		t.Fatalf("the journal does not verify: %v\n%s", err, report.Text())
	}
	last, stops := map[string]int64{}, 0
	err = journal.Scan(t.Context(), s.journal, 0, func(e record.Entry) error {
		if e.Kind == record.KindStop {
			stops++
		}
		if e.Kind != record.KindWeighing {
			return nil
		}
		var w record.Weighing
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			return err
		}
		last[e.Balance]++
		if n := last[e.Balance]; w.Value.Digits != fmt.Sprintf("%d.%03d", n/1000, n%1000) {
			t.Errorf("weighing %d of %s is %s", n, e.Balance, w.Value.Digits)
		}
		return nil
	})
	if err != nil || stops != 1 {
		t.Errorf("%d stops in the journal, %v", stops, err)
	}
	const line = int64(len("     0.001 g\r\n"))
	for i, b := range s.balances {
		waiting := stillWaiting(t, s.slaves[i])
		if read := (b.sent*line - int64(waiting)) / line; last[b.id] != read {
			t.Errorf("%s: %d lines were read (%d printed, %d bytes still wait), %d are in the journal", b.id, read, b.sent, waiting, last[b.id])
		}
		received += last[b.id]
	}
	if received < 30 { // usually some hundreds; a machine that is busy otherwise prints fewer
		t.Errorf("%d lines only: this test shows nothing", received)
	}
	return received
}

// stillWaiting counts the bytes that wait in a port, by reading them. What the terminal's driver counts leaves out what is
// still on its way to it.
func stillWaiting(t *testing.T, slave *os.File) (n int) {
	t.Helper()
	buf := make([]byte, 4096)
	for quiet := 0; quiet < 5; {
		got, err := unix.Read(int(slave.Fd()), buf)
		switch {
		case err == unix.EAGAIN:
			quiet++
			time.Sleep(10 * time.Millisecond)
		case err != nil:
			t.Fatal(err)
		default:
			n, quiet = n+got, 0
		}
	}
	return n
}
