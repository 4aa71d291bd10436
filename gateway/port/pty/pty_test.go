//go:build linux || darwin

package pty

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func TestBytesPassUnchangedAndAreNotEchoed(t *testing.T) {
	master, path, err := Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	every := make([]byte, 256)
	for i := range every {
		every[i] = byte(i)
	}
	slave, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer slave.Close()
	if err := control(slave, setRaw); err != nil {
		t.Fatal(err) // macOS forgets raw mode at the first opening
	}
	for _, way := range []struct{ from, to *os.File }{{master, slave}, {slave, master}} {
		if _, err := way.from.Write(every); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, 256)
		_ = way.to.SetReadDeadline(time.Now().Add(5 * time.Second))
		if _, err := io.ReadFull(way.to, got); err != nil || !bytes.Equal(got, every) {
			t.Fatalf("%v: %x", err, got)
		}
	}
	// Nothing came back: what is read next at the master is what the slave sends next.
	if _, err := slave.Write([]byte("x")); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 8)
	if n, err := master.Read(got); err != nil || string(got[:n]) != "x" {
		t.Errorf("%q, %v", got[:n], err)
	}
}

func TestACordIsPluggedAndPulled(t *testing.T) {
	c := NewCord(filepath.Join(t.TempDir(), "balance"))
	if _, err := c.Write([]byte("x")); !errors.Is(err, os.ErrClosed) {
		t.Errorf("writing before it is plugged in says %v", err)
	}
	for range 3 {
		if err := c.Plug(); err != nil {
			t.Fatal(err)
		}
		if err := c.Plug(); err == nil {
			t.Error("it could be plugged in twice")
		}
		slave, err := os.OpenFile(c.Path(), os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.Write([]byte("1.0\r\n")); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, 8)
		if n, err := slave.Read(got); err != nil || string(got[:n]) != "1.0\r\n" {
			t.Errorf("%q, %v", got[:n], err)
		}
		if err := c.Pull(); err != nil {
			t.Fatal(err)
		}
		if n, err := slave.Read(got); err == nil || n != 0 {
			t.Errorf("after pulling: %d, %v", n, err)
		}
		slave.Close()
		if _, err := os.Lstat(c.Path()); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("the link is still there: %v", err)
		}
		if err := c.Pull(); err != nil {
			t.Errorf("pulling twice says %v", err)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(c.Path()), ".*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestACordInAFolderThatIsNotThere(t *testing.T) {
	c := NewCord(filepath.Join(t.TempDir(), "none", "balance"))
	if err := c.Plug(); err == nil {
		t.Error("it could be plugged in")
	}
}
