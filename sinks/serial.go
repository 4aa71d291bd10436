package sinks

import (
	"context"
	"io"
	"time"

	"weighpost/parsers/strict"
)

// SerialLine is a serial port of this computer that a sink writes to, and the settings of its line, as a person writes them.
// What is left out has the default of a balance's port, and is checked by the same rules, by whoever lends ports (see Ports).
type SerialLine struct {
	Address      string          `yaml:"address" desc:"The serial device: /dev/serial/by-id/…, COM3."`
	Speed        int             `yaml:"speed" desc:"Bits a second, as set at the other end; 50 to 4000000." default:"9600"`
	DataBits     int             `yaml:"data_bits" desc:"Data bits of a character; 5 to 8." default:"8"`
	Parity       string          `yaml:"parity" desc:"Parity bit of a character." enum:"none,odd,even,mark,space" default:"none"`
	StopBits     int             `yaml:"stop_bits" desc:"Stop bits of a character; 1 or 2." default:"1"`
	Flow         string          `yaml:"flow" desc:"Flow control: how the other end says that it takes nothing for now." enum:"none,rts-cts,xon-xoff" default:"none"`
	Driver       string          `yaml:"driver" desc:"What talks to the serial device; native is the default on Linux and exists only there." enum:"native,library"`
	WriteTimeout strict.Duration `yaml:"write_timeout" desc:"How long writing to the port may take before it is given up; 100ms to 1m." default:"2s"`
}

// DefaultLine is a line with what applies where the file says nothing.
func DefaultLine() SerialLine {
	return SerialLine{Speed: 9600, DataBits: 8, Parity: "none", StopBits: 1, Flow: "none", WriteTimeout: strict.Duration(2 * time.Second)}
}

// SerialPort is an open serial port. One goroutine reads and one writes; Close frees both and may be called more than once. Read
// never gives 0 bytes without an error. Write gives up after the line's write_timeout with os.ErrDeadlineExceeded, and throws
// away what was not sent.
type SerialPort interface {
	io.ReadWriteCloser
	// Drain waits until what was written has left this computer, or until ctx ends.
	Drain(ctx context.Context) error
}

// Ports lends serial ports to sinks: drivers, locks and the words for what is wrong with a port are a room's that records, and
// that no sink may reach.
type Ports interface {
	// OpenSerial opens a port once. The error says what to do.
	OpenSerial(ctx context.Context, line SerialLine) (SerialPort, error)
}

// Serially is a part of a sink's configuration, or all of it, that names a serial port.
type Serially interface {
	// Serial is the line, and the key that it stands under; nil where the configuration names none.
	Serial() (key string, line *SerialLine)
}
