package main

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/port/pty"
)

// seedBalance is a balance on a pseudo-terminal that prints on its print key, in a made-up layout: a mark while it moves, the
// net weight right-aligned, the unit, a number of the print.
type seedBalance struct {
	*pty.Cord
	t *testing.T
	n int
}

var seedWeights = []string{"12.3450", "0.0000", "-0.0312", "104.2207", "7.9100", "55.0018", "99.9999", "1.0003", "200.4471", "31.6620", "2.0500", "87.3316"}

func (b *seedBalance) line() string {
	mark := " "
	if b.n%4 == 1 {
		mark = "~"
	}
	w := seedWeights[b.n%len(seedWeights)]
	b.n++
	return fmt.Sprintf("net %s%10s g\r\n", mark, w)
}

// press presses the print key.
func (b *seedBalance) press() {
	b.t.Helper()
	if _, err := b.Write([]byte(b.line())); err != nil {
		b.t.Fatal(err)
	}
}

// onTerminal runs weighpost with a terminal of its own, as a person does.
func onTerminal(t *testing.T, dir string, args ...string) (*terminal, *exec.Cmd) {
	t.Helper()
	m := newTerminal(t)
	cmd := exec.CommandContext(t.Context(), program(t, t.TempDir()), args...)
	cmd.Dir = dir
	cmd.Stdin, cmd.Stdout, cmd.Stderr = m.tty, m.tty, m.tty
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return m, cmd
}

// TestAddBalanceAtATerminal goes from a balance of which nothing is known to weighings in the journal, with one
// pseudo-terminal for the person and one for the balance.
func TestAddBalanceAtATerminal(t *testing.T) {
	dir := t.TempDir()
	b := &seedBalance{Cord: plugged(t, filepath.Join(dir, "port")), t: t}
	m, cmd := onTerminal(t, dir, "add-balance", "--config", "weighpost.yaml", "--port", b.Path(), "--speed", "4800")
	addSeedBalance(m, b)
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, m.text())
	}
	validated, err := exec.Command(cmd.Path, "validate", "config", filepath.Join(dir, "weighpost.yaml")).CombinedOutput()
	if err != nil || !strings.Contains(string(validated), "valid: 1 balance, 0 sinks") {
		t.Fatalf("%v\n%s", err, validated)
	}
	c, err := config.LoadFile(filepath.Join(dir, "weighpost.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if got := c.Balances[0]; got.ID != "b-12" || got.Readability.String() != "0.0001 g" || got.Place != "Germination room, bench 3" {
		t.Errorf("%+v", got)
	}
	recordsWith(t, cmd.Path, dir, b)
}

// addSeedBalance answers what add-balance asks for the seed balance, from the layout on.
func addSeedBalance(m *terminal, b *seedBalance) {
	m.t.Helper()
	m.expect("Press Enter when it is")
	m.expect("> ")
	for i := range 12 {
		time.Sleep(60 * time.Millisecond) // a person does not press faster
		b.press()
		m.expect(fmt.Sprintf("%4d  net", i+1))
	}
	m.typed("\n")
	m.learn()
	m.answer("The balance's id", "b-12")
	m.answer("The serial number", "0047-112")
	m.answer("Where it stands", "Germination room, bench 3")
	m.answer("Its capacity", "220 g")
	m.answer("Its readability", "")
	m.answer("seems to print without being asked", "printed") // the keys were pressed faster than by a finger
	m.expect("press the print key.")
	b.n = 3
	time.Sleep(100 * time.Millisecond)
	b.press()
	m.expect("104.2207 g")
	m.answer("Is that what the display shows", "yes")
	m.answer("The name of the site", "seed-bank")
	m.answer("The folder of the journal", "")
	m.answer("Write it?", "")
	m.expect("The balance is in weighpost.yaml.")
}

// learn answers what the lines of the seed balance do not say.
func (m *terminal) learn() {
	m.t.Helper()
	m.answer(`What does "~" in the lines mean?`, "unstable")
	m.expect("confidence")
}

// recordsWith runs the daemon by the configuration, and looks for the weighings in its journal.
func recordsWith(t *testing.T, program, dir string, b *seedBalance) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "weighpost.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "weighpost.yaml"), append(text, "page: {listen: 127.0.0.1:0}\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	daemon := exec.CommandContext(t.Context(), program, "run", "--config", filepath.Join(dir, "weighpost.yaml"))
	daemon.Stdout, daemon.Stderr = &out, &out
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	listed := func() string {
		list, err := exec.Command(program, "journal", "list", filepath.Join(dir, "journal"), "--kind", "weighing").CombinedOutput()
		if err != nil {
			return err.Error() + "\n" + string(list)
		}
		return string(list)
	}
	b.n = 3
	for limit := time.Now().Add(30 * time.Second); !strings.Contains(listed(), "b-12     104.2207 g, net, stable"); time.Sleep(200 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("no weighing was recorded:\n%s", listed())
		}
		b.n = 3
		b.press()
	}
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon: %v\n%s", err, out.String())
	}
}

// TestAddBalanceInterrupted presses Ctrl-C at each question, and looks that nothing is left.
func TestAddBalanceInterrupted(t *testing.T) {
	dir := t.TempDir()
	b := &seedBalance{Cord: plugged(t, filepath.Join(t.TempDir(), "port")), t: t}
	for _, at := range []string{"Press Enter when it is", "The balance's id", "Is that what the display shows", "Write it?"} {
		m, cmd := onTerminal(t, dir, "add-balance", "--port", b.Path(), "--speed", "4800", "--site", "seed-bank", "--journal", "j")
		interruptAt(m, b, at)
		err := cmd.Wait()
		if exit, ok := err.(*exec.ExitError); !ok || exit.ExitCode() != statusFailed {
			t.Errorf("at %q it ended with %v", at, err)
		}
		m.expect("weighpost: stopped: nothing was written\n")
		var left []string
		if err := filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
			left = append(left, path)
			return err
		}); err != nil || len(left) != 1 {
			t.Errorf("at %q it left %v (%v)", at, left, err)
		}
	}
}

// interruptAt answers until a question comes, and presses Ctrl-C there.
func interruptAt(m *terminal, b *seedBalance, at string) {
	m.t.Helper()
	steps := []struct {
		words string
		take  func()
	}{
		{"Press Enter when it is", func() {
			for range 12 {
				time.Sleep(60 * time.Millisecond)
				b.press()
			}
			m.expect("  12  net")
			m.typed("\n")
			m.learn()
		}},
		{"The balance's id", func() { m.typed("b-12\n-\n-\n-\n-\nprinted\n") }},
		{"press the print key.", func() { time.Sleep(100 * time.Millisecond); b.press() }},
		{"Is that what the display shows", func() { m.typed("yes\n") }},
		{"Write it?", nil},
	}
	for _, s := range steps {
		m.expect(s.words)
		if s.words == at {
			m.expect("> ")
			m.typed("\x03")
			return
		}
		s.take()
	}
}
