package port

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/port/pty"
)

// TestBytesThatPileUpBehindAHandlerSayBySoMuch: while the handler is held up the balance prints on. What is read then may
// have waited since the port was last found empty, and what comes after that may not.
func TestBytesThatPileUpBehindAHandlerSayBySoMuch(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		cord, line, _ := cordAndLine(t, driver)
		plug(t, cord)
		h := stuck{newStory(), make(chan struct{})}
		running(t, line, h)
		h.untilCount(t, "up", 1)
		time.Sleep(150 * time.Millisecond) // the port is found empty
		prints(t, cord, "1")
		h.untilText(t, "1")
		prints(t, cord, "2")
		printed := time.Now()
		time.Sleep(400 * time.Millisecond)
		freed := time.Now()
		h.free <- struct{}{}
		h.untilText(t, "12")
		if a := h.arrival; a.Held < a.At.Sub(printed) || a.Held > time.Second || a.At.Before(freed) {
			t.Errorf("printed %v before it was read, said to be %v at the most", a.At.Sub(printed), a.Held)
		}
		h.free <- struct{}{}
		time.Sleep(150 * time.Millisecond) // the port is found empty
		prints(t, cord, "3")
		h.untilText(t, "123")
		if a := h.arrival; a.Held > a.At.Sub(freed) {
			t.Errorf("after the stall a byte may have waited %v", a.Held)
		}
		close(h.free)
	})
}

// TestAFrozenProcessKnowsThatItWas: bytes that came while it was stopped (SIGSTOP) say that they may have waited as long,
// though their reader was waiting for them all the time; those before and after do not.
func TestAFrozenProcessKnowsThatItWas(t *testing.T) {
	cord := pty.NewCord(filepath.Join(t.TempDir(), "balance"))
	plug(t, cord)
	defer cord.Pull()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), frozenEnv+"="+cord.Path())
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = child.Process.Kill(); _ = child.Wait() }()
	lines := bufio.NewScanner(out)
	next := func() string {
		if !lines.Scan() {
			t.Fatal("the reading process ended")
		}
		return lines.Text()
	}
	waited := func(text string) (ms int64) {
		t.Helper()
		if _, err := fmt.Sscan(strings.TrimPrefix(next(), text+" "), &ms); err != nil {
			t.Fatal(err)
		}
		return ms
	}
	if up := next(); up != "up" {
		t.Fatal(up)
	}
	time.Sleep(300 * time.Millisecond)
	prints(t, cord, "before")
	before := waited("before")
	time.Sleep(200 * time.Millisecond) // the port is found empty again
	stopped := time.Now()
	_ = child.Process.Signal(syscall.SIGSTOP)
	time.Sleep(300 * time.Millisecond)
	prints(t, cord, "during")
	printed := time.Now()
	time.Sleep(700 * time.Millisecond)
	_ = child.Process.Signal(syscall.SIGCONT)
	if ms := waited("during"); ms < 690 || time.Duration(ms)*time.Millisecond > time.Since(stopped)+2*stallTick {
		t.Errorf("frozen %v ago, the bytes are %v old and are said to be %d ms old at the most", time.Since(stopped), time.Since(printed), ms)
	}
	time.Sleep(stallMemory + 3*stallTick)
	prints(t, cord, "after")
	if ms := waited("after"); before > 600 || ms > 600 {
		t.Errorf("%d ms before, %d ms after", before, ms)
	}
}
