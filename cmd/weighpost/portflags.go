package main

import (
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"weighpost/gateway/port"
	"weighpost/gateway/setup"
)

// portFlags are the settings of a port that is named on the command line.
type portFlags struct {
	Speed    int    `placeholder:"N" help:"Bits a second of the port. By default 9600."`
	DataBits int    `placeholder:"N" help:"Data bits of a character: 5 to 8. By default 8."`
	Parity   string `placeholder:"PARITY" help:"none, odd, even, mark or space. By default none."`
	StopBits int    `placeholder:"N" help:"1 or 2. By default 1."`
	Flow     string `placeholder:"FLOW" help:"none, rts-cts or xon-xoff. By default none."`
}

// at gives the port at an address, with these settings.
func (f portFlags) at(address string) port.Config {
	return port.Config{Address: address, Speed: f.Speed, DataBits: f.DataBits, Parity: f.Parity, StopBits: f.StopBits, Flow: f.Flow}
}

// isPort says whether a name that may be a file's is that of a port: an address with a scheme, a device, COM3.
func isPort(name string) bool {
	if strings.Contains(name, "://") {
		return true
	}
	if info, err := os.Stat(name); err == nil {
		return info.Mode()&os.ModeCharDevice != 0 && name != "/dev/stdin"
	}
	upper := strings.ToUpper(name)
	return strings.HasPrefix(name, "/dev/") || strings.HasPrefix(upper, "COM") && strings.Trim(upper[3:], "0123456789:") == "" && len(upper) > 3
}

// isTerminal says whether a person sees what is written.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// somebody is the person at the terminal, or the one whose answers were piped in. Where nobody answers and nobody looks, nobody
// is told either.
func somebody(s streams) setup.Person {
	p := newPerson(s)
	if p.alone && !isTerminal(s.err) {
		return setup.Nobody{}
	}
	return p
}
