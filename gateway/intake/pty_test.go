//go:build linux

package intake

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
)

// until waits for a state of the test.
func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); !holds(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("never seen: %s", what)
		}
	}
}

// A balance on a pseudo-terminal, through the real port: what it prints is recorded, a pulled cable is an entry, half a
// line goes with it, and an idle gap that the layout asks for is watched.
func TestThroughARealPort(t *testing.T) {
	cord := pty.NewCord(filepath.Join(t.TempDir(), "balance"))
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	defer cord.Pull()
	print := func(format string, args ...any) {
		if _, err := fmt.Fprintf(cord, format, args...); err != nil {
			t.Error(err)
		}
	}
	b := newBench(t, "frame: {idle_gap: 30ms}\n"+anchored, func(c *Config) { c.Port.Address = cord.Path() }, nil)
	line := port.NewLine(b.cfg.Port, b.cfg.ID, b.board, nil)
	deps := Deps{Line: line, Layout: b.layout, Recorder: b.journal, Live: b.screen, Clock: b.clock, Health: b.board, Log: b.log}
	in, err := New(b.cfg, deps)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()

	until(t, "the port up", func() bool { return in.Status().PortUp })
	for i := range 20 {
		print("W %d.000 g S", i)
		until(t, "the weighing recorded", func() bool { return in.Status().Recorded == uint64(i+1) })
	}
	print("W 999.") // no frame yet: the silence has not passed
	if err := cord.Pull(); err != nil {
		t.Fatal(err)
	}
	until(t, "the port down", func() bool { return !in.Status().PortUp })
	until(t, "the condition", func() bool { return len(b.board.List()) == 1 })
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	until(t, "the port up again", func() bool { return in.Status().PortUp })
	print("W 20.000 g S")
	until(t, "the last weighing", func() bool { return in.Status().Recorded == 21 })
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	for i, e := range b.journal.bodies() {
		if w, ok := e.(*record.Weighing); ok && w.Value.Digits == "999" {
			t.Errorf("entry %d: half a line became a weighing", i)
		}
	}
	last := b.journal.bodies()[len(b.journal.bodies())-1].(*record.Weighing)
	if last.Value.Digits != "20.000" || last.Balance.Identity != unconfirmed {
		t.Errorf("the last entry is %+v", last)
	}
}
