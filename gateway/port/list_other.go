//go:build !linux && !windows

package port

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"go.bug.st/serial"
)

// list gives the names of the ports. What hangs on USB the library's enumerator tells on macOS only to programs that are linked
// with C, which this one is not.
func list(context.Context) ([]Found, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("the system does not list its serial ports: %w", err)
	}
	var all []Found
	for _, name := range names {
		if call, ok := strings.CutPrefix(name, "/dev/tty."); ok && slices.Contains(names, "/dev/cu."+call) {
			continue // the same port, which then waits for a carrier
		}
		f := Found{Address: name, Device: name, Kind: KindUnknown, HolderUnsure: true}
		if strings.HasPrefix(name, "/dev/cu.usb") {
			f.Kind = KindUSB
		}
		all = append(all, f)
	}
	return all, nil
}

// LookAtLines does nothing where nobody can be seen to hold a port.
func (f *Found) LookAtLines(context.Context) error { return errNotLooked }
