package setup

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
)

// Setting is how a serial line is set.
type Setting struct {
	Speed    int    `json:"speed"`     // bits a second
	DataBits int    `json:"data_bits"` // 7 or 8
	Parity   string `json:"parity"`    // as [port.Config] names it
	StopBits int    `json:"stop_bits"` // 1 or 2
}

// String is the setting as the trade writes it: "9600 7E1".
func (s Setting) String() string { return fmt.Sprintf("%d %s", s.Speed, s.Framing()) }

// Framing is the setting without its speed: "7E1".
func (s Setting) Framing() string {
	letter := "?"
	if s.Parity != "" {
		letter = strings.ToUpper(s.Parity[:1])
	}
	return fmt.Sprintf("%d%s%d", s.DataBits, letter, s.StopBits)
}

// Config is the configuration of a port that is set so.
func (s Setting) Config(address string) port.Config {
	return port.Config{Address: address, Speed: s.Speed, DataBits: s.DataBits, Parity: s.Parity, StopBits: s.StopBits}
}

// framed gives a setting its framing, such as "7E1".
func (s Setting) framed(framing string) Setting {
	s.DataBits, s.StopBits = int(framing[0]-'0'), int(framing[2]-'0')
	i := slices.IndexFunc(parities, func(p string) bool { return strings.ToUpper(p[:1]) == framing[1:2] })
	s.Parity = parities[i]
	return s
}

var parities = []string{port.ParityNone, port.ParityEven, port.ParityOdd, port.ParityMark, port.ParitySpace}

// simple is the setting to take where two are alike and a receiver need not care: one stop bit.
func (s Setting) simple() Setting {
	if s.Framing() == "8N2" {
		s.StopBits = 1
	}
	return s
}

// line is the setting for the model of a line.
func (s Setting) line() uart.Settings {
	return uart.Settings{Speed: s.Speed, DataBits: s.DataBits, Parity: s.Parity, StopBits: s.StopBits}
}

// usual are the speeds that a balance may have, the likeliest first, and how likely each is before anything was heard. Common
// practice: no standard says so, and nobody counted.
var usual = []struct {
	speed  int
	weight float64
}{{9600, .40}, {2400, .12}, {4800, .11}, {1200, .12}, {19200, .09}, {115200, .04}, {38400, .04}, {57600, .02}, {600, .03}, {300, .03}}

// framings are the ways to frame a character that differ on the wire of a sender that says its characters back to back; the
// others are alike to a receiver: see alike. Weights as above.
var framings = []struct {
	name   string
	weight float64
}{{"8N1", .57}, {"8N2", .03}, {"7E1", .20}, {"7O1", .06}, {"7N2", .04}, {"8E1", .06}, {"8O1", .02}, {"7N1", .015}, {"8S1", .005}}

// alike are the framings that no receiver can tell from one of framings while every character is ASCII, since they differ in
// what comes after the bits that it looks at, or not at all: a mark bit is what a stop bit is, and a space bit what an eighth
// bit of 0 is.
var alike = map[string][]string{
	"8N1": {"8N2", "8M1", "8M2", "7S1", "7S2"},
	"8N2": {"8N2", "8M1", "8M2", "7S1", "7S2"},
	"7E1": {"7E2"},
	"7O1": {"7O2"},
	"7N2": {"7M1", "7M2", "7N1"},
	"7N1": {"7N2", "7M1", "7M2"},
	"8E1": {"8E2"},
	"8O1": {"8O2"},
	"8S1": {"8S2"},
}

// UsualSetting is what most balances are set to, and what is tried first.
func UsualSetting() Setting { return Setting{Speed: usual[0].speed}.framed("8N1") }

// CheckFirst refuses a setting that the search cannot begin with.
func CheckFirst(s Setting) error {
	switch {
	case s.Speed < 50 || s.Speed > 4_000_000:
		return fmt.Errorf("%d bits a second is no speed of a serial port: give 50 to 4000000", s.Speed)
	case s.DataBits != 7 && s.DataBits != 8:
		return fmt.Errorf("%d data bits cannot be searched from: give 7 or 8", s.DataBits)
	case !slices.Contains(parities, s.Parity):
		return fmt.Errorf("there is no parity %q: give none, even, odd, mark or space", s.Parity)
	case s.StopBits != 1 && s.StopBits != 2:
		return fmt.Errorf("%d stop bits cannot be set: give 1 or 2", s.StopBits)
	}
	return nil
}
