package demo

import (
	"fmt"
	"io"
	"log/slog"

	broker "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// startBroker runs a small MQTT broker inside the demo, on a free loopback port.
func startBroker() (address string, stop func(), err error) {
	s := broker.New(&broker.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := s.AddHook(new(auth.AllowHook), nil); err != nil {
		return "", nil, fmt.Errorf("the demo's broker: %w", err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "demo", Address: "127.0.0.1:0"})
	if err := s.AddListener(l); err != nil {
		return "", nil, fmt.Errorf("the demo's broker cannot listen: %w", err)
	}
	if err := s.Serve(); err != nil {
		return "", nil, fmt.Errorf("the demo's broker cannot start: %w", err)
	}
	return "tcp://" + l.Address(), func() { _ = s.Close() }, nil
}
