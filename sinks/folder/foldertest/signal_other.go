//go:build !unix

package foldertest

import (
	"os"
	"os/exec"
	"testing"
)

const kill, freeze, thaw = 9, 19, 18

func own(*exec.Cmd, uint32, uint32) {}

// signalAll can only kill: there are no other signals here.
func signalAll(t testing.TB, pid, signal int) { signalOne(t, pid, signal) }

func signalOne(t testing.TB, pid, signal int) {
	p, err := os.FindProcess(pid)
	if signal != kill || err != nil {
		t.Error("this system cannot freeze a process")
		return
	}
	_ = p.Kill() // it may have ended already
}

func descendants(int) []int { return nil }
