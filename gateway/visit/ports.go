package visit

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/port"
)

// identity is what two names of one port have in common: the device that the system has, or an address on the network.
func identity(address string, found []port.Found) string {
	if strings.Contains(address, "://") {
		return strings.ToLower(strings.TrimSuffix(address, "/"))
	}
	if real, err := filepath.EvalSymlinks(address); err == nil {
		address = real
	}
	for _, f := range found {
		if address == f.Address || address == f.Device || slices.Contains(f.Names, address) {
			return f.Device
		}
	}
	return filepath.Clean(address)
}

// isDevice says whether a name is one of a serial device, and not of any file of this computer.
func isDevice(address string) bool {
	if strings.Contains(address, "://") {
		return true
	}
	return strings.HasPrefix(filepath.ToSlash(filepath.Clean(address)), "/dev/") ||
		strings.HasPrefix(strings.ToUpper(address), "COM") && !strings.ContainsAny(address, `/\.`)
}

// SetupPorts lists the ports of this computer, and who has each.
func (h *Host) SetupPorts(ctx context.Context) ([]console.SetupPort, error) {
	found, err := h.deps.List(ctx)
	if err != nil {
		return nil, fmt.Errorf("the ports of this computer cannot be listed: %w", err)
	}
	owners := map[string]string{}
	for _, t := range h.deps.Taken() {
		owners[identity(t.Address, found)] = t.Balance
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	list := []console.SetupPort{}
	for _, f := range found {
		p := console.SetupPort{Address: f.Address, Device: f.Device, Kind: f.Kind, Description: harmless(f.Description), Names: f.Names, Holder: harmless(f.Holder),
			Note: harmless(f.Note), Balance: owners[identity(f.Address, found)]}
		if v := h.ports[identity(f.Address, found)]; v != nil {
			p.Visit = v.id
		}
		p.Free = p.Balance == "" && p.Visit == "" && p.Holder == ""
		list = append(list, p)
	}
	return list, nil
}

// take gives a visit a port, in the place of the one that it has, or says why it cannot have it.
func (h *Host) take(ctx context.Context, v *visit, address string) error {
	if !isDevice(address) {
		return fmt.Errorf("%q is no serial device: name one such as /dev/ttyS0 or COM3, or a device server as tcp://host:port or rfc2217://host:port", address)
	}
	found, err := h.deps.List(ctx)
	if err != nil {
		return fmt.Errorf("the ports of this computer cannot be listed: %w", err)
	}
	key := identity(address, found)
	for _, t := range h.deps.Taken() {
		if identity(t.Address, found) != key {
			continue
		}
		what := "balance " + t.Balance
		if t.Scanner {
			what = "the scanner of balance " + t.Balance
		}
		return fmt.Errorf("the port %s belongs to %s, which is read by it now: choose another port, or give %s another one in Settings, or take it away there, "+
			"before you go on", address, what, t.Balance)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if other := h.ports[key]; other != nil && other != v {
		return fmt.Errorf("the port %s is in use by another balance that is being added (%s began that): choose another port, or end that one first", address, other.by.Shown())
	}
	h.release(v)
	h.ports[key] = v
	return nil
}

// letGo takes its port from a visit.
func (h *Host) letGo(v *visit) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.release(v)
}

func (h *Host) release(v *visit) {
	for key, holder := range h.ports {
		if holder == v {
			delete(h.ports, key)
		}
	}
}
