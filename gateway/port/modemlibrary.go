package port

import (
	"errors"
	"fmt"
	"os"
	"syscall"

	"go.bug.st/serial"
)

// The library says how the far end's lines are, and nothing of our own two: those are as we last set them, and on since the
// opening (go.bug.st/serial v1.8.0, Mode.InitialStatusBits: "if nil defaults to DTR=true and RTS=true").

func (l *library) Lines() (Lines, error) {
	var lines Lines
	err := l.ask("reading the modem lines of the port", func(p serial.Port) error {
		bits, err := p.GetModemStatusBits()
		if err != nil {
			return err
		}
		lines = Lines{DTR: !l.dtrOff.Load(), RTS: !l.rtsOff.Load(), CTS: bits.CTS, DSR: bits.DSR, DCD: bits.DCD, RI: bits.RI}
		return nil
	})
	return lines, err
}

func (l *library) SetDTR(on bool) error {
	return l.ask("switching DTR of the port", func(p serial.Port) error {
		err := p.SetDTR(on)
		if err == nil {
			l.dtrOff.Store(!on)
		}
		return err
	})
}

func (l *library) SetRTS(on bool) error {
	return l.ask("switching RTS of the port", func(p serial.Port) error {
		err := p.SetRTS(on)
		if err == nil {
			l.rtsOff.Store(!on)
		}
		return err
	})
}

func (l *library) Purge() error {
	return l.ask("emptying the port", func(p serial.Port) error {
		return errors.Join(p.ResetInputBuffer(), p.ResetOutputBuffer())
	})
}

// ask calls the library while its port cannot be closed: its descriptor may be another port's after that.
func (l *library) ask(what string, do func(serial.Port) error) error {
	l.asking.Lock()
	defer l.asking.Unlock()
	if l.closed.Load() {
		return os.ErrClosed
	}
	err := do(l.port)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, syscall.ENOTTY):
		return ErrNoModem
	}
	return fmt.Errorf("%s: %w", what, err)
}
