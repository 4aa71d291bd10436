package port

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// stableNames gives for each device the names by which udev knows it: below /dev/balance those of our rules (see
// systemd/95-weighpost-serial.rules) and whatever else somebody's rules put there, and below /dev/serial those of its
// 60-serial.rules. Names that several ports ask for are left out.
func stableNames() map[string][]string {
	names := map[string][]string{}
	for _, folder := range []string{"balance", "serial/by-id", "serial/by-path"} {
		links, _ := filepath.Glob(filepath.Join(devFolder, folder, "*"))
		for _, link := range links {
			if device, err := filepath.EvalSymlinks(link); err == nil && len(claimants(link)) == 0 {
				names[device] = append(names[device], link)
			}
		}
	}
	return names
}

// name chooses the address among the names of a port and keeps the others. Names by adapter are left out where they lead to a
// twin as well.
func (f *Found) name(names []string) {
	names = slices.DeleteFunc(slices.Clone(names), func(link string) bool { return f.Twins && byAdapter(link) })
	slices.SortStableFunc(names, func(a, b string) int { return worth(a) - worth(b) })
	if len(names) == 0 {
		names = []string{f.Device}
	}
	f.Address, f.Names = names[0], names[1:]
	if f.Twins && f.Address == f.Device {
		f.Note = "Another adapter carries the same numbers, and the system has no name by socket: leave only one of them plugged in."
	}
	if _, err := os.Stat(f.Device); os.IsNotExist(err) {
		f.Note = "The system shows this port and has no file " + f.Device + " for it here: give it to this container, or look whether udev runs."
	}
}

// worth sorts the names of a port, the best first: what somebody's own rule says, the adapter, and the socket.
func worth(link string) int {
	folder, name := filepath.Base(filepath.Dir(link)), filepath.Base(link)
	switch {
	case folder == "balance" && byAdapter(link):
		return 2
	case folder == "by-id":
		return 3
	case folder == "balance" && strings.HasPrefix(name, "socket-"):
		return 4
	case folder == "balance":
		return 1
	case strings.Contains(name, "-usbv"): // udev's newer second name for the same socket
		return 6
	}
	return 5
}

// pseudoTerminals are those that somebody gave a stable name, as a program does that stands in for a balance. The others are
// the windows of those who work here.
func pseudoTerminals(names map[string][]string, all []Found) (more []Found) {
	for device := range names {
		known := slices.ContainsFunc(all, func(f Found) bool { return f.Device == device })
		if !known && strings.HasPrefix(device, "/dev/pts/") {
			more = append(more, Found{Device: device, Kind: KindPseudo, Description: "a program is at the other end"})
		}
	}
	return more
}
