//go:build linux

package running

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/systemd"
)

// TestTheUnitAllowsWhatTheDaemonCalls: the system calls of a daemon at work, with a broker, a folder and a receiver, are among
// those that the unit lets through.
func TestTheUnitAllowsWhatTheDaemonCalls(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "strace", "systemd-analyze")
	allowed := allowedCalls(t)
	if !allowed["openat"] || !allowed["fdatasync"] || allowed["mount"] || allowed["ptrace"] || allowed["setuid"] {
		t.Fatal("what the unit allows is not understood")
	}
	r := newRig(t)
	called := filepath.Join(t.TempDir(), "called")
	daemon := exec.CommandContext(t.Context(), "strace", "-f", "-c", "-o", called, r.program, "run", "--config", r.config)
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	printing, stop := context.WithCancel(t.Context())
	defer stop()
	var printers sync.WaitGroup
	for _, c := range r.balances {
		printers.Go(func() { c.print(printing, 20*time.Millisecond) })
	}
	r.moved(t, daemon, 50)
	children, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", daemon.Process.Pid, daemon.Process.Pid))
	var pid int
	if _, bad := fmt.Sscan(string(children), &pid); err != nil || bad != nil {
		t.Fatal(err, bad)
	}
	_ = syscall.Kill(pid, syscall.SIGTERM)
	stop()
	printers.Wait()
	_ = daemon.Wait()
	table, err := os.ReadFile(called)
	if err != nil {
		t.Fatal(err)
	}
	// Before it runs the program, strace's child makes calls of its own; the runtime asks for more open files than the unit
	// gives, and does without.
	harmless := map[string]bool{"execve": true, "prlimit64": true, "total": true}
	n := 0
	for line := range strings.Lines(string(table)) {
		m := regexp.MustCompile(`^\s+[0-9.]+\s.*\s(\w+)$`).FindStringSubmatch(strings.TrimRight(line, "\n"))
		if m == nil || harmless[m[1]] {
			continue
		}
		if n++; !allowed[m[1]] {
			t.Errorf("the daemon calls %s, which the unit refuses", m[1])
		}
	}
	if n < 20 {
		t.Errorf("%d calls only: this test shows nothing\n%s", n, table)
	}
}

// allowedCalls is what the unit's SystemCallFilter= lines leave, by systemd's own sets.
func allowedCalls(t *testing.T) map[string]bool {
	t.Helper()
	allowed := map[string]bool{}
	var set func(name string, let bool, depth int)
	set = func(name string, let bool, depth int) {
		if !strings.HasPrefix(name, "@") {
			allowed[name] = let
			return
		}
		out, err := exec.Command("systemd-analyze", "syscall-filter", name).Output()
		if err != nil || depth > 5 {
			t.Fatalf("%s: %v", name, err)
		}
		for line := range strings.Lines(string(out)) {
			if word := strings.TrimSpace(line); strings.HasPrefix(line, " ") && !strings.HasPrefix(word, "#") {
				set(word, let, depth+1)
			}
		}
	}
	for _, m := range regexp.MustCompile(`(?m)^SystemCallFilter=(~?)(.*)$`).FindAllStringSubmatch(systemd.Unit, -1) {
		for _, name := range strings.Fields(m[2]) {
			set(name, m[1] == "", 0)
		}
	}
	return allowed
}
