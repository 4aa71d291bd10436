package config

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"weighpost/gateway/intake"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
)

func (c *Config) checkBalances(r *strict.Report) {
	ids, ports := map[string]int{}, map[string]int{}
	for i := range c.Balances {
		b := &c.Balances[i]
		at := r.Index(i)
		b.Check(at)
		if first, taken := ids[b.ID]; taken && b.ID != "" {
			at.At("id").Fault(fmt.Sprintf("%q is the id of balances[%d] already", b.ID, first), "an id of its own for each balance")
		} else {
			ids[b.ID] = i
		}
		c.checkPort(at.At("port"), b.Port.Address, i, ports)
	}
	for i := range c.Balances {
		b := &c.Balances[i]
		if !b.Scanner.HasPort() {
			continue
		}
		at := r.Index(i).At("scanner")
		c.checkPort(at.At("port"), b.Scanner.Port.Address, i, ports)
		if first, taken := ids[b.ScannerName()]; taken {
			at.Fault(fmt.Sprintf("is called %s where something is wrong with it, and that is the id of balances[%d]", b.ScannerName(), first),
				"another id for one of the two balances")
		}
	}
	c.checkTaps(r, ports)
}

// checkPort finds a port that is another's already.
func (c *Config) checkPort(at *strict.Report, address string, i int, ports map[string]int) {
	where := samePort(address)
	if where == "" {
		return
	}
	if first, taken := ports[where]; taken {
		at.At("address").Fault(fmt.Sprintf("is the port of balance %q (balances[%d]) already", c.Balances[first].ID, first),
			"one balance or one scanner a port")
		return
	}
	ports[where] = i
}

// samePort brings the ways to name one port together: a link below /dev/serial and the device that it points to, letters
// of either case in a host's name and in COM3, and a device server's port by either of its schemes.
func samePort(address string) string {
	if _, host, url := strings.Cut(address, "://"); url {
		return "://" + strings.ToLower(host)
	}
	if runtime.GOOS == "windows" {
		return strings.ToLower(strings.TrimPrefix(address, `\\.\`))
	}
	if address == "" {
		return ""
	}
	if target, err := filepath.EvalSymlinks(address); err == nil {
		return target
	}
	return filepath.Clean(address)
}

// loadLayouts reads each balance's layout. It returns the faults within the layouts, and adds to r those about the files.
func (c *Config) loadLayouts(r *strict.Report, folder string) (within strict.Faults) {
	c.layouts = map[string]*layout.Layout{}
	type result struct {
		l   *layout.Layout
		err error
	}
	read := map[string]result{}
	for i := range c.Balances {
		b := &c.Balances[i]
		if b.Layout == "" {
			continue
		}
		path := beside(folder, b.Layout)
		one, done := read[path]
		if !done {
			if text, about := c.unwritten[b.Layout]; about {
				one.l, one.err = layout.Parse(path, text)
			} else {
				one.l, one.err = loadLayout(path)
			}
			read[path] = one
			var faults strict.Faults
			if errors.As(one.err, &faults) {
				within = append(within, faults...)
			}
		}
		at := r.At("balances").Index(i)
		var faults strict.Faults
		switch {
		case one.err == nil:
			c.layouts[b.ID] = one.l
			checkTogether(at, b, one.l)
		case !errors.As(one.err, &faults):
			at.At("layout").Fault(one.err.Error(), "the path of a layout file; a relative one starts at the folder of this file")
		}
	}
	return within
}

func loadLayout(path string) (*layout.Layout, error) {
	src, err := ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("there is no file %s", path)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("the file %s may not be read by this user", path)
	case err != nil:
		return nil, fmt.Errorf("the file cannot be read: %w", err)
	}
	return layout.Parse(path, src)
}

// usbLatency is how long a USB adapter may hold back what it has received.
const usbLatency = 20 * time.Millisecond

// checkTogether adds what only port and layout together tell.
func checkTogether(r *strict.Report, b *intake.Config, l *layout.Layout) {
	onWire := b.Port.WireTime(1) // 0 where the device server has the speed
	if gap := l.IdleGap(); gap > 0 {
		switch {
		case onWire > 0 && gap < 2*onWire:
			r.At("layout").Fault(fmt.Sprintf("the layout ends a frame after %s of silence, and at the port's speed two characters take %s", gap, (2*onWire).Round(10*time.Microsecond)),
				"an idle_gap of several characters' time")
		case gap < usbLatency:
			r.At("layout").Note(fmt.Sprintf("the layout ends a frame after %s of silence; a USB adapter or a device server may pause for %s within a line and cut it",
				gap, usbLatency))
		}
	}
	if intake.Unprotected(b.Port, l) {
		r.At("port").Note("neither parity nor a check byte protects this line: at 8N1 one flipped bit in six gave another valid-looking weight " +
			"(24 of 150 in a model of the line); set the balance and this port to even parity if it can")
	}
}
