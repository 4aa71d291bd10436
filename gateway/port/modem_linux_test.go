package port

import (
	"errors"
	"os"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

var (
	_ Modem = (*native)(nil)
	_ Modem = (*library)(nil)
)

// A pseudo-terminal has no modem lines and says so, and can be emptied. (Real lines: cmd/weighpost/machine.)
func TestAPseudoTerminalHasNoModemLines(t *testing.T) {
	forBothDrivers(t, func(t *testing.T, driver string) {
		master, slave := newPTY(t)
		look, err := os.OpenFile(slave, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer look.Close()
		p := opened(t, Config{Address: slave, Driver: driver})
		m := p.(Modem)
		if _, err := m.Lines(); !errors.Is(err, ErrNoModem) {
			t.Errorf("Lines says %v", err)
		}
		for _, on := range []bool{true, false} {
			if err := m.SetDTR(on); !errors.Is(err, ErrNoModem) {
				t.Errorf("SetDTR says %v", err)
			}
			if err := m.SetRTS(on); !errors.Is(err, ErrNoModem) {
				t.Errorf("SetRTS says %v", err)
			}
		}
		if _, err := master.Write([]byte("old")); err != nil {
			t.Fatal(err)
		}
		within(t, 10*time.Second, "what was printed waits", func() {
			for n := 0; n < 3; time.Sleep(time.Millisecond) {
				n, _ = unix.IoctlGetInt(int(look.Fd()), unix.TIOCINQ)
			}
		})
		if err := m.Purge(); err != nil {
			t.Fatalf("Purge says %v", err)
		}
		if _, err := master.Write([]byte("new")); err != nil {
			t.Fatal(err)
		}
		_ = p.SetReadDeadline(time.Now().Add(10 * time.Second))
		buf := make([]byte, 16)
		if n, err := p.Read(buf); err != nil || string(buf[:n]) != "new" {
			t.Errorf("after Purge came %q, %v", buf[:n], err)
		}
		p.Close()
		if _, err := m.Lines(); !errors.Is(err, os.ErrClosed) {
			t.Errorf("after Close Lines says %v", err)
		}
		if err := m.Purge(); !errors.Is(err, os.ErrClosed) {
			t.Errorf("after Close Purge says %v", err)
		}
	})
}

// With RTS/CTS the driver moves RTS.
func TestRTSBelongsToItsFlowControl(t *testing.T) {
	_, slave := newPTY(t)
	p := opened(t, Config{Address: slave, Flow: FlowRTSCTS})
	if err := p.(Modem).SetRTS(true); !errors.Is(err, ErrRTSTaken) {
		t.Errorf("SetRTS says %v", err)
	}
	if err := p.(Modem).SetDTR(true); !errors.Is(err, ErrNoModem) {
		t.Errorf("SetDTR says %v", err)
	}
}
