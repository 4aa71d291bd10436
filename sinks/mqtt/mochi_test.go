package mqtt

import (
	"io"
	"log/slog"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"

	"weighpost/sinks/sinktest"
)

// startMochi starts the embedded broker that the demo uses.
func startMochi(t testing.TB) (address string) {
	t.Helper()
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := server.AddHook(new(auth.AllowHook), nil); err != nil {
		t.Fatal(err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "loopback", Address: "127.0.0.1:0"})
	if err := server.AddListener(listener); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = server.Close() })
	return listener.Address()
}

func TestEmbeddedBroker(t *testing.T) { each(t, testEmbeddedBroker) }

func testEmbeddedBroker(t *testing.T, config func(string) Config) {
	address := startMochi(t)
	far := collect(t, "tcp://"+address, "weighpost/#")
	s := openSink(t, config("mqtt://"+address))
	entries := sinktest.Weighings(500, 3)
	deliverAll(within(t, 60*time.Second), t, s, entries)
	if lost, duplicates, disorder := far.verdict(entries); lost != 0 || duplicates != 0 || disorder != 0 {
		t.Errorf("lost %d, duplicates %d, out of order %d", lost, duplicates, disorder)
	}
	if err := s.Checkpoint(within(t, 60*time.Second), []byte("note\n")); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	eventually(t, 60*time.Second, "the last status", func() bool { return len(far.statuses()) >= 2 }) // on another connection
	if all := far.statuses(); len(all) != 2 || all[0].State != "online" || all[1].State != "offline" {
		t.Errorf("got %+v", all)
	}
}

// A link that breaks has its last will published before the next online.
func TestEmbeddedBrokerPublishesLastWill(t *testing.T) {
	t.Parallel() // most of it is waiting
	address := startMochi(t)
	far := collect(t, "tcp://"+address, "weighpost/#")
	s := openSink(t, config("mqtt://"+address))
	eventually(t, 60*time.Second, "online", func() bool { return s.current.Load() != nil && len(far.statuses()) == 1 })
	s.current.Load().discard(io.ErrClosedPipe)
	eventually(t, 60*time.Second, "online again", func() bool { return len(far.statuses()) >= 3 })
	all := far.statuses()
	if all[1].State != "offline" || all[1].Why != whyLost || all[2].State != "online" {
		t.Errorf("got %+v", all)
	}
}
