//go:build unix

package foldertest

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

const (
	kill   = int(syscall.SIGKILL)
	freeze = int(syscall.SIGSTOP)
	thaw   = int(syscall.SIGCONT)
)

// own puts the server into a group of its own, and has another account run it where that is asked for.
func own(cmd *exec.Cmd, uid, gid uint32) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if os.Geteuid() == 0 && uid != 0 {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uid, Gid: gid}
	}
}

// signalAll signals a server and all that it started, also what has left its group, and nobody else.
func signalAll(t testing.TB, pid, signal int) {
	t.Helper()
	for _, p := range append([]int{pid}, descendants(pid)...) {
		signalOne(t, p, signal)
	}
}

func signalOne(t testing.TB, pid, signal int) {
	t.Helper()
	if err := syscall.Kill(pid, syscall.Signal(signal)); err != nil && !errors.Is(err, syscall.ESRCH) {
		t.Errorf("signal %d to process %d: %v", signal, pid, err)
	}
}

// descendants are the processes that a process started, and those that they did (proc(5)).
func descendants(pid int) (all []int) {
	above := map[int][]int{}
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, name := range stats {
		text, err := os.ReadFile(name)
		if err != nil {
			continue // it has ended
		}
		_, rest, _ := strings.Cut(string(text), ") ") // the name may hold anything
		fields := strings.Fields(rest)
		child, cerr := strconv.Atoi(filepath.Base(filepath.Dir(name)))
		if len(fields) < 2 || cerr != nil {
			continue
		}
		if parent, err := strconv.Atoi(fields[1]); err == nil {
			above[parent] = append(above[parent], child)
		}
	}
	for next := above[pid]; len(next) > 0; next = next[1:] {
		all = append(all, next[0])
		next = append(next, above[next[0]]...)
	}
	return all
}
