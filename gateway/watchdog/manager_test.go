//go:build linux

package watchdog

import (
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// socket is what a service manager listens on.
func socket(t *testing.T) *net.UnixConn {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	return c
}

func next(t *testing.T, c *net.UnixConn) string {
	t.Helper()
	if err := c.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4096)
	n, err := c.Read(buf)
	if err != nil {
		t.Fatal(err)
	}
	return string(buf[:n])
}

// TestWhatAManagerIsTold: the words are those of sd_notify(3); Type=notify-reload of systemd.service(5) takes a reload only
// with the time of CLOCK_MONOTONIC at which it began.
func TestWhatAManagerIsTold(t *testing.T) {
	c := socket(t)
	t.Setenv("WATCHDOG_USEC", "60000000")
	t.Setenv("WATCHDOG_PID", fmt.Sprint(os.Getpid()))
	m := FindManager(slog.New(slog.DiscardHandler))
	if cfg := m.Config(); cfg.Limit != 30*time.Second || cfg.Every != 7500*time.Millisecond || cfg.Ping == nil {
		t.Errorf("for a watchdog of 60 s the watch is %+v", cfg)
	}
	for _, x := range []struct {
		tell func()
		want string
	}{
		{m.Ready, "READY=1"}, {m.Stopping, "STOPPING=1"}, {m.Ping, "WATCHDOG=1"},
		{func() { m.Status("recording") }, "STATUS=recording"},
		{func() { m.Status("recording"); m.Status("not recording") }, "STATUS=not recording"}, // the same line is told once
	} {
		x.tell()
		if got := next(t, c); got != x.want {
			t.Errorf("told %q, wanted %q", got, x.want)
		}
	}
	var before, after unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &before); err != nil {
		t.Fatal(err)
	}
	m.Reloading()
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &after); err != nil {
		t.Fatal(err)
	}
	var usec int64
	got := next(t, c)
	if n, err := fmt.Sscanf(got, "RELOADING=1\nMONOTONIC_USEC=%d", &usec); n != 1 || usec < before.Nano()/1000 || usec > after.Nano()/1000 {
		t.Errorf("a reload between %d and %d µs is told as %q (%v)", before.Nano()/1000, after.Nano()/1000, got, err)
	}
}

// TestNoManagerNoWatchdog: on a terminal, and in a child of a service whose watchdog is for its parent.
func TestNoManagerNoWatchdog(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	t.Setenv("WATCHDOG_USEC", "60000000")
	t.Setenv("WATCHDOG_PID", "1")
	var said strings.Builder
	m := FindManager(slog.New(slog.NewTextHandler(&said, nil)))
	m.Ready()
	m.Reloading()
	if cfg := m.Config(); cfg.Ping != nil || said.Len() > 0 {
		t.Errorf("without a manager the watch is %+v, and it says %s", cfg, said.String())
	}
}

// TestAManagerThatIsGoneIsSaidOnce: not with every sign of life.
func TestAManagerThatIsGoneIsSaidOnce(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "nobody"))
	var said strings.Builder
	m := FindManager(slog.New(slog.NewTextHandler(&said, nil)))
	for range 5 {
		m.Ping()
	}
	if n := strings.Count(said.String(), "\n"); n != 1 || !strings.Contains(said.String(), "service manager") {
		t.Errorf("%d lines: %s", n, said.String())
	}
}
