package port

import (
	"context"
	"fmt"
	"strings"

	"go.bug.st/serial/enumerator"
)

// list asks the list of devices. A COM number stays with an adapter that has a number of its own, and otherwise with its socket.
func list(context.Context) ([]Found, error) {
	ports, err := enumerator.GetDetailedPortsList() // no filter: it asks no device anything
	if err != nil {
		return nil, fmt.Errorf("the system does not list its serial ports: %w", err)
	}
	var all []Found
	for _, p := range ports {
		f := Found{Address: p.Name, Device: p.Name, Kind: KindUnknown, HolderUnsure: true}
		if p.IsUSB {
			f.Kind, f.Description = KindUSB, "USB adapter"
			f.Vendor, f.Product, f.Serial = strings.ToLower(plain(p.VID)), strings.ToLower(plain(p.PID)), plain(p.SerialNumber)
		}
		all = append(all, f)
	}
	markTwins(all)
	return all, nil
}

// markTwins marks the adapters that carry the same numbers.
func markTwins(all []Found) {
	for i := range all {
		for j := range all {
			a, b := &all[i], &all[j]
			if i != j && a.Kind == KindUSB && b.Kind == KindUSB && a.Vendor == b.Vendor && a.Product == b.Product && a.Serial == b.Serial {
				a.Twins = true
			}
		}
	}
}

// LookAtLines does nothing where nobody can be seen to hold a port.
func (f *Found) LookAtLines(context.Context) error { return errNotLooked }
