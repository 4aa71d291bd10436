package clock

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/beevik/ntp"

	"weighpost/gateway/health"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// freePort gives a UDP port of loopback that was free just now.
func freePort(t *testing.T) int {
	t.Helper()
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	return conn.LocalAddr().(*net.UDPAddr).Port
}

// chrony starts a real time server on loopback that does not touch the computer's clock, and gives its address. more is added
// to its configuration; before comes before its command.
func chrony(t *testing.T, more string, before ...string) string {
	t.Helper()
	dir, port := t.TempDir(), freePort(t)
	conf := filepath.Join(dir, "chrony.conf")
	text := fmt.Sprintf("port %d\nbindaddress 127.0.0.1\ncmdport 0\nbindcmdaddress /\nallow 127.0.0.1\nuser root\npidfile %s\ndriftfile %s\n%s\n",
		port, filepath.Join(dir, "pid"), filepath.Join(dir, "drift"), more)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	args := append(before, "chronyd", "-x", "-d", "-f", conf)
	cmd := exec.Command(args[0], args[1:]...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGTERM)
		_ = cmd.Wait()
		if t.Failed() {
			t.Logf("chronyd on port %d: %s", port, said.String())
		}
	})
	address := fmt.Sprintf("127.0.0.1:%d", port)
	for limit := time.Now().Add(15 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if _, err := ntp.QueryWithOptions(address, ntp.QueryOptions{Timeout: 200 * time.Millisecond}); err == nil {
			return address
		}
		if time.Now().After(limit) {
			t.Fatalf("chronyd does not answer on %s: %s", address, said.String())
		}
	}
}

// TestRealTimeServers asks chrony: two or three servers that are right, one whose clock is moved by three seconds, and one
// that is not synchronised.
func TestRealTimeServers(t *testing.T) {
	needs.Root(t, "to run a time server")
	needs.Programs(t, "chronyd", "faketime")
	const right = "local stratum 3"
	a, b, c := chrony(t, right), chrony(t, right), chrony(t, right)
	shifted, lost := chrony(t, right, "faketime", "-f", "+3s"), chrony(t, "")
	for _, test := range []struct {
		name    string
		servers []string
		sources int
	}{
		{"two right, one shifted", []string{a, shifted, b}, 2},
		{"two right, one not synchronised", []string{a, lost, b}, 2},
		{"two right, one of each", []string{lost, a, shifted, b}, 2},
		{"three right, one of each", []string{a, shifted, b, lost, c}, 3},
	} {
		t.Run(test.name, func(t *testing.T) {
			r := run(t, Config{Servers: test.servers, Timeout: strict.Duration(time.Second)})
			f := r.wait(t, func(f Facts) bool {
				return f.State == record.ClockChecked && f.Sources == test.sources &&
					!slices.ContainsFunc(f.Servers, func(s Server) bool { return s.Verdict == Silent })
			})
			s := r.holds(t)
			if s.Clock != record.ClockChecked || s.Sources != test.sources || time.Duration(*s.Bound) > 200*time.Millisecond {
				t.Errorf("%+v", s)
			}
			for _, one := range f.Servers {
				r.judged(t, one, shifted, lost)
			}
			t.Logf("bound %s", time.Duration(*s.Bound))
		})
	}
	t.Run("one right, one of each", func(t *testing.T) {
		r := run(t, Config{Servers: []string{a, shifted, lost}, Timeout: strict.Duration(time.Second)})
		r.wait(t, func(f Facts) bool { return f.Servers[0].Verdict == Undecided && f.Servers[1].Verdict == Undecided })
		if s := r.Stamp(time.Now()); s.Clock != record.ClockUnchecked {
			t.Errorf("%+v", s)
		}
		for limit := time.Now().Add(10 * time.Second); r.condition(health.ClockUnchecked, "clock") == nil; time.Sleep(5 * time.Millisecond) {
			if time.Now().After(limit) { // it is raised just after the verdicts can be seen
				t.Fatalf("%+v", r.board.List())
			}
		}
	})
}

// judged holds the verdict on one of chrony's servers.
func (r *running) judged(t *testing.T, one Server, shifted, lost string) {
	t.Helper()
	switch one.Address {
	case shifted:
		if one.Verdict != Falseticker || (one.Offset.D()-3*time.Second).Abs() > 200*time.Millisecond || one.Distance.D() > 200*time.Millisecond {
			t.Errorf("the shifted one: %+v, offset %v", one, one.Offset)
		}
		for limit := time.Now().Add(10 * time.Second); r.condition(health.ClockFalseticker, shifted) == nil; time.Sleep(5 * time.Millisecond) {
			if time.Now().After(limit) {
				t.Fatalf("%v", r.board.List())
			}
		}
	case lost:
		if one.Verdict != Refused || !strings.Contains(one.Why, "not synchronised") || one.Offset != nil {
			t.Errorf("the one that is not synchronised: %+v", one)
		}
	default:
		if one.Verdict != Agreeing || one.Offset.D().Abs() > 100*time.Millisecond || one.Distance.D() > 200*time.Millisecond || one.Delay.D() <= 0 {
			t.Errorf("%+v, offset %v", one, one.Offset)
		}
	}
}
