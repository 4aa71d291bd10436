package port

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// Kinds of ports that List finds.
const (
	KindUSB       = "usb"             // an adapter on USB
	KindCard      = "card"            // a serial card in a slot (PCI)
	KindOnBoard   = "on-board"        // a serial port of the computer itself
	KindBluetooth = "bluetooth"       // a serial channel over Bluetooth
	KindPseudo    = "pseudo-terminal" // a program at the other end
	KindUnknown   = "unknown"         // the system does not say
)

// Found is one serial port of this computer. What a device or another program says of itself has been freed of control
// characters; names of files are as they are.
type Found struct {
	// Address is the name to put into the configuration: of those that lead to the port, the one that stays longest.
	Address string `json:"address"`
	// Device is what the system calls the port now: /dev/ttyUSB0, COM3. It may change when adapters come and go.
	Device string `json:"device"`
	Kind   string `json:"kind"` // one of the Kind constants
	// Vendor and Product are the numbers that USB gives to makers and their models, four hexadecimal digits; Serial is the
	// adapter's own number. Each is "" where the port is none of USB, or the system does not know.
	Vendor      string `json:"vendor,omitempty"`
	Product     string `json:"product,omitempty"`
	Serial      string `json:"serial,omitempty"`
	Description string `json:"description,omitempty"` // what kind of thing it is and where it is plugged in, in words
	Driver      string `json:"driver,omitempty"`      // the system's driver for it
	// Names are all other names that lead to the port and to no other, best first.
	Names []string `json:"names,omitempty"`
	// Twins says that another adapter that is plugged in has the same vendor, product and serial number: names by adapter do
	// not tell them apart, and Address is a name by socket, if there is one.
	Twins bool `json:"twins,omitempty"`
	// Holder says which programs have the port open, "" for nobody or unknown.
	Holder string `json:"holder,omitempty"`
	// HolderUnsure says that others may have the port open whom we could not see: without the rights of an administrator,
	// what other users' programs have open is hidden; and some systems tell nobody.
	HolderUnsure bool `json:"holder_unsure,omitempty"`
	// Lines are the modem lines; nil: not known. List tells them only where the system shows them without opening the port.
	Lines *Lines `json:"lines,omitempty"`
	// Note is a sentence on what to know before this port is used, or "".
	Note string `json:"note,omitempty"`
}

// List finds the serial ports of this computer, adapters on USB first. It opens none, so it disturbs nobody: neither a program
// that has a port nor a balance that heeds DTR. An empty list is no error. It takes milliseconds, or, where thousands of
// programs run, some hundreds; ctx ends it.
//
// On Linux it reads /sys, the names that udev made below /dev, and /proc; on Windows what the system's list of devices says
// (go.bug.st/serial/enumerator). On other systems it gives the names of the ports and nothing else.
func List(ctx context.Context) ([]Found, error) {
	list, err := list(ctx)
	if err != nil {
		return nil, err
	}
	slices.SortFunc(list, func(a, b Found) int {
		return cmp.Or(cmp.Compare(rank(a.Kind), rank(b.Kind)), natural(a.Device, b.Device))
	})
	return list, nil
}

func rank(kind string) int {
	return slices.Index([]string{KindUSB, KindCard, KindOnBoard, KindBluetooth, KindPseudo, KindUnknown}, kind)
}

// natural compares names that end in a number by that number: COM9 comes before COM10.
func natural(a, b string) int {
	split := func(s string) (string, int) {
		text := strings.TrimRightFunc(s, func(r rune) bool { return r >= '0' && r <= '9' })
		n, _ := strconv.Atoi(s[len(text):])
		return text, n
	}
	textA, numberA := split(a)
	textB, numberB := split(b)
	return cmp.Or(cmp.Compare(textA, textB), cmp.Compare(numberA, numberB), cmp.Compare(a, b))
}

// mostText is how much of a text that a device tells about itself is kept.
const mostText = 128

// plain is a text from a device or another program without what a terminal would obey, and not too long.
func plain(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return '?'
		}
		return r
	}, strings.TrimSpace(strings.ToValidUTF8(s, "?")))
	if runes := []rune(s); len(runes) > mostText {
		s = string(runes[:mostText]) + "…"
	}
	return s
}

// errNotLooked is why a port's lines were not looked at.
var errNotLooked = errors.New("somebody may have the port open, and looking at its modem lines would move DTR under them")
