package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/port"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/port/uart"
	"weighpost/gateway/setup"
	"weighpost/gateway/setup/setuptest"
)

func lotWeights(n int) string {
	return fmt.Sprintf("lot %03d  N %9.4f g \r\n", 17+n, 12.345+7.0031*float64(n))
}

// pressing is an answerer's end of the command: what is told there presses the balance's print key.
type pressing struct {
	strings.Builder
	press func()
}

func (p *pressing) Write(b []byte) (int, error) {
	if bytes.Contains(b, []byte("Press the print key once.")) {
		p.press() // the port is open already
	}
	return p.Builder.Write(b)
}

// TestSettingsThroughAPseudoTerminal: the driver that opens a real port opens a pseudo-terminal, which has no speed; what
// arrives at it is what the setting that it was opened with hears of a balance at 2400 7E1.
func TestSettingsThroughAPseudoTerminal(t *testing.T) {
	if runtime.GOOS != "linux" && runtime.GOOS != "darwin" {
		t.Skip("this system has no pseudo-terminals")
	}
	cord := pty.NewCord(filepath.Join(t.TempDir(), "balance"))
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	defer cord.Pull()
	balance := &setuptest.Balance{Line: uart.Settings{Speed: 2400, DataBits: 7, Parity: "even", StopBits: 1}}
	var at uart.Settings
	open := func(ctx context.Context, c port.Config) (port.Port, error) {
		at = uart.Settings{Speed: c.Speed, DataBits: c.DataBits, Parity: c.Parity, StopBits: c.StopBits}
		return setup.Open(ctx, c)
	}
	n := 0
	told := &pressing{press: func() {
		_, _ = cord.Write(balance.Hear(lotWeights(n), at))
		n++
	}}
	var out strings.Builder
	c := settingsCommand{Source: cord.Path()}
	if err := c.run(t.Context(), streams{in: strings.NewReader("next\n"), out: &out, err: told}, open); err != nil {
		t.Fatal(err, out.String())
	}
	for _, want := range []string{"1  2400 7E1     confidence 0.9", `lot 018  N   19.3481 g \r\n`, "What cannot be told apart:", "8N1 with the parity in its eighth bit",
		"port: {address: " + cord.Path() + ", speed: 2400, data_bits: 7, parity: even, stop_bits: 1}"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is missing in\n%s", want, out.String())
		}
	}
	if !strings.Contains(told.String(), "Try 2: listening at 2400 8N1") {
		t.Errorf("told was\n%s", told.String())
	}
	block := out.String()[strings.Index(out.String(), "port: {"):]
	if _, faults := config.Load("w.yaml", []byte("site: s\njournal: {folder: j}\nbalances:\n- id: b-1\n  layout: l.yaml\n  "+block)); len(faults) > 1 {
		t.Errorf("the block has mistakes: %v", faults) // the layout's file is missing, and that is all
	}
	t.Log("\n" + told.String() + out.String())
}

func TestSettingsForPrograms(t *testing.T) {
	balance := &setuptest.Balance{Line: uart.Settings{Speed: 9600, DataBits: 8, Parity: "none", StopBits: 1}, Print: lotWeights, Stream: 100 * time.Millisecond}
	var out strings.Builder
	c := settingsCommand{Source: "/dev/balance/b-1", JSON: true, Listen: time.Second}
	if err := c.run(t.Context(), streams{out: &out, err: &strings.Builder{}}, balance.Open); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Sure       bool
		Candidates []struct {
			Speed      int
			Parity     string
			Confidence float64
			Text       string
			Same       []struct {
				DataBits int `json:"data_bits"`
			}
		}
		Unclear []string
	}
	if err := json.Unmarshal([]byte(out.String()), &got); err != nil {
		t.Fatal(err)
	}
	if first := got.Candidates[0]; !got.Sure || first.Speed != 9600 || first.Parity != "none" || first.Confidence < 0.9 || len(first.Same) == 0 || len(got.Unclear) == 0 {
		t.Errorf("%+v", got)
	}
}

// TestSettingsWhereNothingComes: what was looked at, and what to do, is printed; a poll is not followed by a walk.
func TestSettingsWhereNothingComes(t *testing.T) {
	balance := &setuptest.Balance{Line: uart.Settings{Speed: 9600, DataBits: 8, Parity: "none", StopBits: 1}, Print: lotWeights}
	for poll, want := range map[string]string{"": "Only listened.", "P": "speaks only when asked"} {
		var out strings.Builder
		c := settingsCommand{Source: "/dev/balance/b-1", Listen: 10 * time.Millisecond, Poll: poll, Tries: 3, walk: setup.SilenceOptions{Listen: 10 * time.Millisecond}}
		err := c.run(t.Context(), streams{out: &out, err: &strings.Builder{}}, balance.Open)
		if err == nil || !strings.Contains(err.Error(), "nothing came") || !strings.Contains(out.String(), want) {
			t.Errorf("%v\n%s", err, out.String())
		}
		t.Log("\n" + out.String())
	}
}

// TestSettingsOfAFile judges bytes that were taken at a known setting.
func TestSettingsOfAFile(t *testing.T) {
	balance := &setuptest.Balance{Line: uart.Settings{Speed: 9600, DataBits: 7, Parity: "odd", StopBits: 1}}
	at := uart.Settings{Speed: 9600, DataBits: 8, Parity: "none", StopBits: 1}
	file := filepath.Join(t.TempDir(), "lines.bytes")
	if err := os.WriteFile(file, balance.Hear(lotWeights(0)+lotWeights(1), at), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs strings.Builder
	if status := run([]string{"settings", file}, streams{out: &out, err: &errs}); status != 0 || !strings.Contains(out.String(), "1  9600 7O1") {
		t.Errorf("status %d\n%s%s", status, out.String(), errs.String())
	}
	out.Reset()
	if err := os.WriteFile(file, []byte("\x1b[2J\x00\xff"), 0o600); err != nil {
		t.Fatal(err)
	}
	if status := run([]string{"settings", file}, streams{out: &out, err: &errs}); status != statusFailed || strings.Contains(out.String(), "\x1b") {
		t.Errorf("status %d\n%q", status, out.String())
	}
}

func TestSettingsUsage(t *testing.T) {
	for _, args := range [][]string{
		{"settings"}, {"settings", "COM3", "--poll", `\q`}, {"settings", "COM3", "--listen", "-1s"}, {"settings", "COM3", "--flow", "rts-cts"},
		{"settings", "COM3", "--data-bits", "5"}, {"settings", "lines.bytes", "--poll", "P"},
	} {
		var errs strings.Builder
		if status := run(args, streams{out: &errs, err: &errs}); status != statusUsage {
			t.Errorf("%q: status %d: %s", args, status, errs.String())
		}
	}
}
