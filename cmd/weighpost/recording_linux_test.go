package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
	"weighpost/gateway/setup"
	"weighpost/gateway/setup/setuptest"
)

const recordingFile = "testdata/add-balance.txt"

// TestRecording takes down what a person sees who adds a balance of which nothing is known. The person's terminal is a real
// one; the balance is modelled at the level of bits, set to 4800 7E1, at the end of an adapter of a made-up computer.
func TestRecording(t *testing.T) {
	here, err := filepath.Abs(".")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	m := newTerminal(t)
	b := &setuptest.Balance{Line: uart.Settings{Speed: 4800, DataBits: 7, Parity: "even", StopBits: 1}, Tells: true, Print: seedPrint}
	tools := setup.Tools{Open: b.Open, List: madeUpPorts}
	m.show("$ ./weighpost add-balance\n")
	ended := make(chan error, 1)
	go func() {
		ended <- addBalanceCommand{Config: "weighpost.yaml"}.run(t.Context(), streams{in: m.tty, out: m.tty, err: m.tty}, tools)
	}()
	beforeTheBalance(m, b)
	if err := <-ended; err != nil {
		t.Fatalf("%v\n%s", err, m.text())
	}
	m.show("$ ./weighpost validate config weighpost.yaml\n")
	if err := (validateConfigCommand{File: "weighpost.yaml"}).Run(streams{out: m.tty}); err != nil {
		t.Fatal(err)
	}
	m.expect("valid: 1 balance")
	m.expect("\n")
	holdRecording(t, here, strings.TrimSpace(m.text())+"\n")
}

// seedPrint is the n-th line of the seed balance: see seedBalance.
func seedPrint(n int) string { return (&seedBalance{n: n}).line() }

func madeUpPorts(context.Context) ([]port.Found, error) {
	return []port.Found{
		{Address: "/dev/serial/by-id/usb-adapter-A1", Device: "/dev/ttyUSB0", Kind: port.KindUSB, Description: "adapter on USB"},
		{Address: "/dev/ttyS0", Device: "/dev/ttyS0", Kind: port.KindOnBoard, Description: "serial port of the computer"},
	}, nil
}

// beforeTheBalance does what a person does.
func beforeTheBalance(m *terminal, b *setuptest.Balance) {
	m.t.Helper()
	m.answer("Which port", "")
	m.answer("are found by listening", "")
	m.pressUntil(b, "This fits best")
	m.answer("", "")
	m.expect("Press Enter")
	m.expect("> ")
	time.Sleep(200 * time.Millisecond) // the port is opened meanwhile
	for i := range 8 {
		b.Press()
		m.expect(fmt.Sprintf("%4d  net", i+1))
		m.expect("\n")
		time.Sleep(600 * time.Millisecond) // no faster than a finger
	}
	m.typed("\n")
	m.answer(`What does "~" in the lines mean?`, "unstable")
	m.answer("The balance's id", "b-12")
	m.answer("The serial number", "0047-112")
	m.answer("Where it stands", "Germination room, bench 3")
	m.answer("Its capacity", "220 g")
	m.answer("Its readability", "")
	m.expect("press the print key.")
	time.Sleep(200 * time.Millisecond)
	b.Press()
	m.answer("Is that what the display shows", "yes")
	m.answer("The name of the site", "seed-bank")
	m.answer("The folder of the journal", "")
	m.answer("Write it?", "")
}

// pressUntil presses print each time that it is asked for, until something else is shown.
func (m *terminal) pressUntil(b *setuptest.Balance, words string) {
	m.t.Helper()
	for limit := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		text := m.text()[m.seen:]
		press, end := strings.Index(text, "Press the print key once."), strings.Index(text, words)
		switch {
		case end >= 0 && (press < 0 || end < press):
			m.expect(words)
			return
		case press >= 0:
			m.expect("Press the print key once.")
			time.Sleep(50 * time.Millisecond)
			b.Press()
		case time.Now().After(limit):
			m.t.Fatalf("%q was not shown:\n%s", words, m.text())
		}
	}
}

// show writes what the shell would.
func (m *terminal) show(text string) {
	m.t.Helper()
	if _, err := m.tty.WriteString(text); err != nil {
		m.t.Fatal(err)
	}
}

// holdRecording compares what was seen with what is kept, or keeps it, in the manual too.
func holdRecording(t *testing.T, here, got string) {
	t.Helper()
	kept, manual := filepath.Join(here, recordingFile), filepath.Join(here, "../../gateway/help/pages/adding.md")
	want, err := os.ReadFile(kept)
	if err != nil && !*update {
		t.Fatal(err)
	}
	switch {
	case got == string(want):
	case !*update:
		t.Errorf("the person sees something else than %s says; -update keeps it. Seen:\n%s", recordingFile, got)
	default:
		text, err := os.ReadFile(manual)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(kept, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(manual, []byte(strings.Replace(string(text), string(want), got, 1)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
