package main

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
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

func plugged(t *testing.T, path string) *pty.Cord {
	t.Helper()
	c := pty.NewCord(path)
	if err := c.Plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Pull() })
	return c
}

// TestAddBalanceAtATerminal goes from a balance of which nothing is known to weighings in the journal, with one
// pseudo-terminal for the person and one for the balance.
func TestAddBalanceAtATerminal(t *testing.T) {
	t.Parallel()
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
	m.expect("Press Enter")
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
	weighing := regexp.MustCompile(`b-12 +104\.2207 g, net, stable`)
	for limit := time.Now().Add(30 * time.Second); !weighing.MatchString(listed()); time.Sleep(200 * time.Millisecond) {
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
	t.Parallel()
	dir := t.TempDir()
	b := &seedBalance{Cord: plugged(t, filepath.Join(t.TempDir(), "port")), t: t}
	for _, at := range []string{"Press Enter", "The balance's id", "Is that what the display shows", "Write it?"} {
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
		{"Press Enter", func() {
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

// TestLearnAtATerminal listens to a balance until Enter, asks, and writes the layout.
func TestLearnAtATerminal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	b := &seedBalance{Cord: plugged(t, filepath.Join(dir, "port")), t: t}
	m, cmd := onTerminal(t, dir, "learn", b.Path(), "--speed", "4800", "--out", "seeds.yaml")
	m.expect("Press Enter")
	m.expect("> ")
	for i := range 10 {
		time.Sleep(60 * time.Millisecond)
		b.press()
		m.expect(fmt.Sprintf("%4d  net", i+1))
	}
	m.typed("\n")
	m.answer(`What does "~" in the lines mean?`, "2")
	m.expect("The layout reads 10 of 10 lines.")
	m.expect("The layout was written to seeds.yaml.")
	m.expect("    address: " + b.Path() + "\n    speed: 4800\n")
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, m.text())
	}
	text, err := os.ReadFile(filepath.Join(dir, "seeds.yaml"))
	if err != nil || !strings.Contains(string(text), `"~": "unstable"`) {
		t.Errorf("%v\n%s", err, text)
	}
}

// TestAlone learns and adds a balance with standard input closed, from a balance that prints by itself.
func TestAlone(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	b := &seedBalance{Cord: plugged(t, filepath.Join(dir, "port")), t: t}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for {
			select {
			case <-stop:
				return
			case <-time.After(100 * time.Millisecond):
				_, _ = b.Write([]byte(b.line())) // the slave is not always open
			}
		}
	}()
	defer func() { close(stop); <-stopped }()
	program := program(t, t.TempDir())
	run := func(args ...string) (string, string, error) {
		var out, errs strings.Builder
		cmd := exec.CommandContext(t.Context(), program, args...)
		cmd.Dir, cmd.Stdout, cmd.Stderr = dir, &out, &errs
		err := cmd.Run()
		return out.String(), errs.String(), err
	}
	out, errs, err := run("learn", b.Path(), "--speed", "4800", "--lines", "10", "--hint", "word:~=unstable", "--out", "seeds.yaml")
	if err != nil || errs != "" || !strings.Contains(out, "The layout was written to seeds.yaml.") {
		t.Fatalf("%v: %s\n%s", err, errs, out)
	}
	out, errs, err = run("add-balance", "--port", b.Path(), "--speed", "4800", "--layout", "seeds.yaml", "--id", "b-12", "--capacity", "220 g",
		"--readability", "0.0001 g", "--record", "settled", "--site", "seed-bank", "--journal", "j", "--yes", "--json")
	if err != nil || errs != "" || !strings.HasPrefix(out, `{"config":"weighpost.yaml","new":true,"block":"- id: b-12\n  capacity: 220 g\n`) {
		t.Fatalf("%v: %s\n%s", err, errs, out)
	}
	// The next one is learnt on the way; the port is taken, which shows at the end, and nothing of it stays.
	out, errs, err = run("add-balance", "--port", b.Path(), "--speed", "4800", "--accept", "--id", "b-13", "--yes")
	if err == nil || !strings.Contains(errs, `is the port of balance "b-12" (balances[0]) already`) || strings.Count(errs, "\n") != 1 {
		t.Errorf("%v: %s\n%s", err, errs, out)
	}
	if _, err := os.Stat(filepath.Join(dir, "layouts")); err == nil {
		t.Error("a folder was left behind")
	}
}
