package port

import (
	"errors"
	"fmt"
)

// Lines are the modem lines of a serial port as they are now: true is "on", which RS-232 calls asserted. DTR and RTS are ours;
// the others come from the far end (CTS, DSR, DCD, RI of TIA-232-F), seen from the computer's side of the plug. What nobody
// drives, as on a cable of three wires, reads as off.
type Lines struct {
	DTR bool `json:"dtr"` // ours: data terminal ready
	RTS bool `json:"rts"` // ours: request to send
	CTS bool `json:"cts"` // clear to send
	DSR bool `json:"dsr"` // data set ready
	DCD bool `json:"dcd"` // data carrier detect
	RI  bool `json:"ri"`  // ring indicator
}

// Modem is what an open [Port] can do beside bytes, found by type assertion. Its methods may be called from any goroutine while
// the port is open, and say os.ErrClosed after Close. Where the device has no such lines (a pseudo-terminal, some adapters) the
// error is [ErrNoModem]; every other error means what it says and not that the port is gone.
type Modem interface {
	// Lines gives the lines as they are. Asking changes nothing.
	Lines() (Lines, error)
	// SetDTR switches data terminal ready. Some balances send only while it is on.
	SetDTR(on bool) error
	// SetRTS switches request to send. It says ErrRTSTaken where the flow control rts-cts has it.
	SetRTS(on bool) error
	// Purge throws away what was received and not read yet, and what was written and not sent yet. A byte that came damaged
	// just before may count once more as damaged; none that was damaged counts as good.
	Purge() error
}

// ErrNoModem is what a Modem says where the device has no modem lines.
var ErrNoModem = errors.New("the port has no modem lines: it is a pseudo-terminal, or its adapter or driver does not have them")

// ErrRTSTaken is what SetRTS says while the driver moves RTS by itself.
var ErrRTSTaken = fmt.Errorf("RTS belongs to the flow control %s of this port: set flow to another value to move it by hand", FlowRTSCTS)
