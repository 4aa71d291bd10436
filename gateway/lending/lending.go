// Package lending lends serial ports to sinks. A sink sees entries and its destination and no room that records; the drivers of
// serial ports, with their locks and their words for what is wrong, are such a room's. What crosses is a name with settings on
// the way down, and an open port on the way up.
package lending

import (
	"context"
	"errors"
	"strings"

	"weighpost/gateway/port"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// Ports opens what sinks ask for.
type Ports struct{}

// OpenSerial opens a port once. The error is a *port.Trouble.
func (Ports) OpenSerial(ctx context.Context, line sinks.SerialLine) (sinks.SerialPort, error) {
	p, err := portOf(line).Open(ctx)
	if err != nil {
		return nil, err
	}
	return lent{p}, nil
}

// lent is a port that can be drained.
type lent struct{ port.Port }

func (l lent) Drain(ctx context.Context) error { return port.Drain(ctx, l.Port) }

// Read passes over breaks: they are no bytes.
func (l lent) Read(p []byte) (int, error) {
	for {
		n, err := l.Port.Read(p)
		if n == 0 && errors.Is(err, port.ErrBreak) {
			continue
		}
		return n, err
	}
}

func portOf(l sinks.SerialLine) port.Config {
	return port.Config{Address: l.Address, Speed: l.Speed, DataBits: l.DataBits, Parity: l.Parity, StopBits: l.StopBits, Flow: l.Flow,
		Driver: l.Driver, WriteTimeout: l.WriteTimeout}
}

// Check holds the serial port that a sink's configuration names to the rules of ports, if it names one.
func Check(r *strict.Report, settings any) {
	s, ok := settings.(sinks.Serially)
	if !ok {
		return
	}
	key, line := s.Serial()
	if line == nil || line.Address == "" {
		return // the sink itself says what is missing
	}
	at := r.At(key)
	c := portOf(*line)
	if strings.Contains(c.Address, "://") {
		at.At("address").Fault("is no serial port of this computer", "a serial device, such as /dev/serial/by-id/… or COM3")
		return
	}
	c.Check(at)
}
