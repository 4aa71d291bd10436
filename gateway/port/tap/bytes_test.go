//go:build unix

package tap

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/port"
)

// bothWays sends every byte value in both directions, three times, and then sees that nothing else came.
func bothWays(t *testing.T, r *rig, program far) {
	t.Helper()
	want := ""
	for range 3 {
		want += every()
		r.print(t, every())
		gets(t, program, every())
		if _, err := program.Write([]byte(every())); err != nil {
			t.Fatal(err)
		}
		r.balanceGets(t, every())
	}
	getsNothing(t, program, 50*time.Millisecond)
	r.until(t, "all was read", func() bool { return r.read.text() == want })
	if s := r.tap.Status(); s.Received != 768 || s.Sent != 768 || s.Left != 0 || s.Unsent != 0 {
		t.Errorf("the tap counted %+v", s)
	}
}

func TestEveryByteBothWaysThroughAPseudoTerminal(t *testing.T) {
	r, _ := linkRig(t, nil)
	bothWays(t, r, r.openLink(t))
}

func TestEveryByteBothWaysThroughTCP(t *testing.T) {
	r, conn := tcpRig(t, nil)
	bothWays(t, r, conn)
}

// TestEveryByteBothWaysThroughASecondPort joins the tap's port to the program's with socat, as a null-modem cable would.
func TestEveryByteBothWaysThroughASecondPort(t *testing.T) {
	needPTY(t)
	needs.Programs(t, "socat")
	ours, theirs := filepath.Join(t.TempDir(), "ours"), filepath.Join(t.TempDir(), "theirs")
	cable := exec.Command("socat", "pty,raw,echo=0,link="+ours, "pty,raw,echo=0,link="+theirs)
	if err := cable.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cable.Process.Kill(); _ = cable.Wait() })
	for limit := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		_, one := os.Stat(ours)
		if _, two := os.Stat(theirs); one == nil && two == nil {
			break
		}
		if time.Now().After(limit) {
			t.Fatal("socat did not make its ports within 20 s")
		}
	}
	r := newRig(t, Config{Port: &port.Config{Address: ours, Speed: 19200}}, nil)
	r.program(t, true)
	program, err := port.Config{Address: theirs}.Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer program.Close()
	bothWays(t, r, program)
}

// python is a program that knows nothing of us: it opens the port as a serial port with python3-serial, says so, reads what
// the balance sends, and sends every byte value back.
const python = `
import serial, sys
with serial.Serial(sys.argv[1], 9600, timeout=20) as port:
    port.write(b"READY")
    got = port.read(256)
    assert got == bytes(range(256)), got
    port.write(bytes(range(255, -1, -1)))
    port.flush()
    assert port.read(6) == b"DONE\r\n"
`

func TestAForeignProgramFindsItsSerialPort(t *testing.T) {
	const interpreter = "/usr/bin/python3"
	needs.That(t, exec.Command(interpreter, "-c", "import serial").Run() == nil, "python3-serial")
	r, path := linkRig(t, nil)
	for round := range 3 { // it may be started again and again
		program := exec.Command(interpreter, "-c", python, path)
		var said strings.Builder
		program.Stderr = &said
		if err := program.Start(); err != nil {
			t.Fatal(err)
		}
		r.balanceGets(t, "READY")
		r.print(t, every())
		back := []byte(every())
		for i := range back {
			back[i] = byte(255 - i)
		}
		r.balanceGets(t, string(back))
		r.print(t, "DONE\r\n")
		if err := program.Wait(); err != nil {
			t.Fatalf("round %d: %v: %s", round, err, said.String())
		}
		r.program(t, false)
	}
}

// TestAFrozenProgram: socat copies what the balance sends into a file, and is stopped meanwhile.
func TestAFrozenProgram(t *testing.T) {
	needs.Programs(t, "socat")
	r, path := linkRig(t, nil)
	out := filepath.Join(t.TempDir(), "out")
	program := exec.Command("socat", "-u", "OPEN:"+path+",raw,echo=0", "CREATE:"+out)
	if err := program.Start(); err != nil {
		t.Fatal(err)
	}
	ended := sync.OnceFunc(func() { _ = program.Process.Kill(); _ = program.Wait() })
	t.Cleanup(ended)
	r.program(t, true)
	text := func() string { b, _ := os.ReadFile(out); return string(b) }
	r.print(t, printed(0))
	r.until(t, "socat copies", func() bool { return text() == printed(0) })
	if err := program.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	const lines = 10_000
	for i := range lines - 1 {
		r.print(t, printed(i+1))
	}
	r.until(t, "all was read", func() bool { return len(r.read.text()) == lines*len(printed(0)) })
	left := r.tap.Status().Left
	if left == 0 {
		t.Error("nothing is said to be left out")
	}
	if err := program.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	r.until(t, "what waited was copied", func() bool { return len(text()) == int(lines-left)*len(printed(0)) })
	r.print(t, printed(lines))
	r.until(t, "it goes on", func() bool { return strings.HasSuffix(text(), printed(lines)) })
	if n := whole(t, text()); n != lines+1-int(left) {
		t.Errorf("socat copied %d lines; %d of %d were left out", n, left, lines+1)
	}
}

// TestAProgramThatOnlyWritesIsHeard: it opens, writes and closes faster than anybody looks.
func TestAProgramThatOnlyWritesIsHeard(t *testing.T) {
	r, path := linkRig(t, nil)
	for i := range 10 {
		command := fmt.Sprintf("T%d\r\n", i)
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteString(command); err != nil {
			t.Fatal(err)
		}
		f.Close()
		r.balanceGets(t, command)
	}
}
