package tap

import (
	"context"
	"errors"

	"weighpost/gateway/port"
)

// serial is a second serial port. Whether somebody is at its other end cannot be seen: there is one session for as long as
// the port lives.
type serial struct {
	port port.Port
	name string
	had  bool
}

func openSerial(ctx context.Context, c port.Config) (door, error) {
	p, err := c.Open(ctx)
	if err != nil {
		return nil, ofPort(err)
	}
	return &serial{port: p, name: c.Address}, nil
}

func (s *serial) next(context.Context) (session, error) {
	if s.had {
		return nil, &trouble{what: "the serial port " + s.name + " went away", remedy: "Plug its adapter in again."}
	}
	s.had = true
	return s, nil
}

func (s *serial) Read(p []byte) (int, error) {
	for {
		n, err := s.port.Read(p)
		if n == 0 && errors.Is(err, port.ErrBreak) {
			continue
		}
		return n, err
	}
}

// Write says os.ErrDeadlineExceeded where flow control holds it up: the port lives on.
func (s *serial) Write(p []byte) (int, error) { return s.port.Write(p) }

func (s *serial) close() { _ = s.port.Close() }
