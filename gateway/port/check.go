package port

import (
	"fmt"
	"runtime"
	"slices"
	"strings"
	"time"

	"weighpost/parsers/strict"
)

// Check adds every mistake in the configuration, for the system that this runs on. A 0 or an empty text that somebody wrote
// is a mistake; one that stands for a key left out is not.
func (c *Config) Check(r *strict.Report) {
	for _, f := range c.faults(runtime.GOOS) {
		r.At(f.key).Fault(f.what, f.allowed)
	}
	for _, k := range c.keys() {
		if at := r.At(k.name); !k.set && at.Written() {
			allowed := "another value, or leave the key out for the default"
			if k.name == "speed" {
				allowed = fmt.Sprintf("%s; left out: %d", speedAllowed, defaultSpeed)
			}
			at.Fault("the value is empty or 0", allowed)
		}
	}
}

// fault is one mistake in a configuration: the key it is under, what is wrong, and what is allowed.
type fault struct{ key, what, allowed string }

// key is one setting beside the address: which kinds of port it is for, and whether the configuration has a value for it.
type key struct {
	name                 string
	serial, tcp, rfc2217 bool
	set                  bool
}

func (c Config) keys() []key {
	return []key{
		{"speed", true, false, true, c.Speed != 0},
		{"data_bits", true, false, true, c.DataBits != 0},
		{"parity", true, false, true, c.Parity != ""},
		{"stop_bits", true, false, true, c.StopBits != 0},
		{"flow", true, false, true, c.Flow != ""},
		{"driver", true, false, false, c.Driver != ""},
		{"latency", true, true, true, c.Latency != 0},
		{"write_timeout", true, true, true, c.WriteTimeout != 0},
		{"dial_timeout", false, true, true, c.DialTimeout != 0},
		{"keep_alive", false, true, true, c.KeepAlive != 0},
	}
}

// faults lists every mistake in the configuration for the operating system goos (as runtime.GOOS has it).
func (c Config) faults(goos string) []fault {
	list := c.addressFaults(goos)
	for _, k := range c.keys() {
		if why := k.useless(c); k.set && why != "" {
			list = append(list, fault{k.name, k.name + " has no effect on " + why, "leave it out"})
		}
	}
	if c.ListenOnly && c.Flow != "" && c.Flow != FlowNone {
		list = append(list, fault{"flow", c.Flow + " tells the balance when to stop, and listen_only allows nothing to be sent", "flow: none, or listen_only: false"})
	}
	list = append(list, between("latency", c.Latency, time.Millisecond, 10*time.Second)...)
	list = append(list, between("write_timeout", c.WriteTimeout, 100*time.Millisecond, time.Minute)...)
	if c.isURL() {
		list = append(list, between("dial_timeout", c.DialTimeout, 100*time.Millisecond, time.Minute)...)
		list = append(list, between("keep_alive", c.KeepAlive, time.Second, time.Hour)...)
		if !c.isRFC2217() {
			return list
		}
		return append(list, c.withDefaults().lineFaults()...)
	}
	if c.Driver == "" {
		c.Driver = defaultDriver(goos)
	}
	c = c.withDefaults()
	return append(append(list, c.lineFaults()...), c.driverFaults(goos)...)
}

// useless says why the key means nothing for the kind of port that an address names, or "".
func (k key) useless(c Config) string {
	switch {
	case c.isRFC2217() && !k.rfc2217:
		return "a device server: the program there talks to the serial device"
	case c.isURL() && !c.isRFC2217() && !k.tcp:
		return "a device server: it is set there, unless the address begins with " + rfc2217Scheme
	case !c.isURL() && !k.serial:
		return "a serial port"
	}
	return ""
}

// lineFaults lists what is wrong with the settings of a serial line, defaults filled in.
func (c Config) lineFaults() []fault {
	var list []fault
	if c.Speed < minSpeed || c.Speed > maxSpeed {
		list = append(list, fault{"speed", fmt.Sprintf("%d bits a second is no speed of a serial port", c.Speed),
			speedAllowed})
	}
	if c.DataBits < 5 || c.DataBits > 8 {
		list = append(list, fault{"data_bits", fmt.Sprintf("a character cannot have %d data bits", c.DataBits), "5, 6, 7 or 8"})
	}
	if c.StopBits != 1 && c.StopBits != 2 {
		list = append(list, fault{"stop_bits", fmt.Sprintf("a character cannot have %d stop bits here", c.StopBits), "1 or 2"})
	}
	list = append(list, oneOf("parity", c.Parity, ParityNone, ParityOdd, ParityEven, ParityMark, ParitySpace)...)
	return append(list, oneOf("flow", c.Flow, FlowNone, FlowRTSCTS, FlowXONXOFF)...)
}

// driverFaults lists what is wrong with the driver of a serial device, or what it cannot do.
func (c Config) driverFaults(goos string) []fault {
	list := oneOf("driver", c.Driver, DriverNative, DriverLibrary)
	switch {
	case c.Driver == DriverLibrary:
		list = append(list, c.libraryFaults(goos)...)
	case c.Driver == DriverNative && goos != "linux":
		list = append(list, fault{"driver", "the driver native exists only on Linux", "library, or leave driver out"})
	}
	return list
}

const (
	minSpeed = 50
	maxSpeed = 4_000_000
)

var speedAllowed = fmt.Sprintf("%d to %d; balances mostly use 1200, 2400, 4800, 9600 or 19200", minSpeed, maxSpeed)

// libraryFaults lists, each by name, what the driver library cannot do on goos: it has no flow control anywhere, mark and
// space parity only on Linux and Windows, and own speeds only there and on macOS (go.bug.st/serial v1.8.0, its sources).
func (c Config) libraryFaults(goos string) []fault {
	var list []fault
	if c.Flow == FlowRTSCTS || c.Flow == FlowXONXOFF {
		allowed := FlowNone
		if goos == "linux" {
			allowed += ", or the driver native"
		}
		list = append(list, fault{"flow", "the driver library cannot do the flow control " + c.Flow, allowed})
	}
	if (c.Parity == ParityMark || c.Parity == ParitySpace) && goos != "linux" && goos != "windows" {
		list = append(list, fault{"parity", "the driver library cannot do the parity " + c.Parity + " on this system", "none, odd or even"})
	}
	if goos != "linux" && goos != "windows" && goos != "darwin" && !slices.Contains(usualSpeeds, c.Speed) {
		list = append(list, fault{"speed", fmt.Sprintf("the driver library cannot do the speed %d on this system", c.Speed),
			"a usual speed, such as 1200, 2400, 4800, 9600 or 19200"})
	}
	return list
}

// usualSpeeds are the speeds up to 115200 that every system has a name for.
var usualSpeeds = []int{50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400, 57600, 115200}

// between refuses a length of time outside of its bounds; 0 stands for the default.
func between(key string, d strict.Duration, least, most time.Duration) []fault {
	if d == 0 || d.D() >= least && d.D() <= most {
		return nil
	}
	return []fault{{key, fmt.Sprintf("%v is too short or too long", d), fmt.Sprintf("%v to %v", least, most)}}
}

func oneOf(key, value string, allowed ...string) []fault {
	if slices.Contains(allowed, value) {
		return nil
	}
	return []fault{{key, fmt.Sprintf("there is no %s %q", key, value), strings.Join(allowed, ", ")}}
}

// refuse gives the first mistake as the reason why the port can never be opened as configured.
func (c Config) refuse() error {
	list := c.faults(runtime.GOOS)
	if len(list) == 0 {
		return nil
	}
	f := list[0]
	return &Trouble{Code: CodeRefused, Sentence: fmt.Sprintf("The port %s cannot be used: %s.", c.shown(), f.what),
		Remedy: fmt.Sprintf("Set %s in the configuration; allowed: %s.", f.key, f.allowed)}
}
