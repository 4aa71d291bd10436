// Package pty makes pseudo-terminals, so that a simulated balance can print into the very same code that reads a real serial
// port. It owns opening the pair and the [Cord] that plugs it in under a name; what is printed is somebody else's.
package pty

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
)

// Open makes a pseudo-terminal in raw mode: what is written to master arrives unchanged at the slave, which is opened by its
// path like a serial device, and is not echoed. What is written before anybody opened the slave waits (up to some 4 kB in
// raw mode). Closing master is what unplugging is to a serial device. It fails on systems other than Linux and macOS.
// On macOS the system forgets raw mode until the first opener of the slave sets it, as package port does.
func Open() (master *os.File, slavePath string, err error) { return open() }

// Cord is a balance's cable end: a symbolic link in a folder that leads to a fresh pseudo-terminal while plugged in, as
// /dev/serial/by-id does, and to nothing while pulled. Its methods may be called from any goroutine.
type Cord struct {
	path string

	mu     sync.Mutex
	master *os.File
}

// NewCord makes a cord, not plugged in, whose slave end will be at path.
func NewCord(path string) *Cord { return &Cord{path: path} }

// Path is where the slave end is when plugged in.
func (c *Cord) Path() string { return c.path }

// Plug makes a new pseudo-terminal and puts it at the path in one step. Plugging a plugged cord is an error.
func (c *Cord) Plug() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.master != nil {
		return fmt.Errorf("%s is plugged in already; pull it first", c.path)
	}
	master, slave, err := Open()
	if err != nil {
		return err
	}
	next := filepath.Join(filepath.Dir(c.path), "."+filepath.Base(c.path)+".next")
	_ = os.Remove(next)
	if err = os.Symlink(slave, next); err == nil {
		err = os.Rename(next, c.path)
	}
	if err != nil {
		master.Close()
		return fmt.Errorf("plugging in %s: %w", c.path, err)
	}
	c.master = master
	return nil
}

// Pull removes the link and hangs up, as unplugging an adapter does. Pulling a pulled cord does nothing.
func (c *Cord) Pull() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.master == nil {
		return nil
	}
	removed := os.Remove(c.path)
	closed := c.master.Close()
	c.master = nil
	if removed != nil {
		return removed
	}
	return closed
}

// Write prints p as the balance. It is an error while the cord is not plugged in.
func (c *Cord) Write(p []byte) (int, error) {
	m, err := c.end()
	if err != nil {
		return 0, err
	}
	return m.Write(p)
}

// Read reads what was sent to the balance.
func (c *Cord) Read(p []byte) (int, error) {
	m, err := c.end()
	if err != nil {
		return 0, err
	}
	return m.Read(p)
}

func (c *Cord) end() (*os.File, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.master == nil {
		return nil, fmt.Errorf("%s is not plugged in: %w", c.path, os.ErrClosed)
	}
	return c.master, nil
}
