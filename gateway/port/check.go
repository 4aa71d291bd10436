package port

import (
	"fmt"
	"net"
	"net/url"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/parsers/strict"
)

// Check adds every mistake in the configuration, for the system that this runs on. A 0 or an empty text that somebody wrote is
// a mistake; one that stands for a key left out is not.
func (c *Config) Check(r *strict.Report) {
	found := c.faults(runtime.GOOS)
	for _, f := range found {
		r.At(f.key).Fault(f.what, f.allowed)
	}
	for key, empty := range map[string]bool{"speed": c.Speed == 0, "data_bits": c.DataBits == 0, "parity": c.Parity == "",
		"stop_bits": c.StopBits == 0, "flow": c.Flow == "", "driver": c.Driver == "", "write_timeout": c.WriteTimeout == 0,
		"dial_timeout": c.DialTimeout == 0, "keep_alive": c.KeepAlive == 0} {
		if at := r.At(key); empty && at.Written() {
			at.Fault("the value is empty or 0", "leave the key out for the default")
		}
	}
}

// fault is one mistake in a configuration: the key it is under, what is wrong, and what is allowed.
type fault struct{ key, what, allowed string }

const (
	minSpeed = 50
	maxSpeed = 4_000_000
)

// faults lists every mistake in the configuration for the operating system goos (as runtime.GOOS has it).
func (c Config) faults(goos string) []fault {
	list := append(c.addressFaults(), between("write_timeout", c.WriteTimeout, 100*time.Millisecond, time.Minute)...)
	if strings.Contains(c.Address, "://") {
		return append(list, c.strayFaults()...)
	}
	for key, set := range map[string]bool{"dial_timeout": c.DialTimeout != 0, "keep_alive": c.KeepAlive != 0} {
		if set {
			list = append(list, fault{key, key + " has no effect on a serial port", "leave it out"})
		}
	}
	set := c.withDefaults()
	if set.Speed < minSpeed || set.Speed > maxSpeed {
		list = append(list, fault{"speed", fmt.Sprintf("%d bits a second is no speed of a serial port", set.Speed),
			fmt.Sprintf("%d to %d; balances mostly use 1200, 2400, 4800, 9600 or 19200", minSpeed, maxSpeed)})
	}
	if set.DataBits < 5 || set.DataBits > 8 {
		list = append(list, fault{"data_bits", fmt.Sprintf("a character cannot have %d data bits", set.DataBits), "5, 6, 7 or 8"})
	}
	if set.StopBits != 1 && set.StopBits != 2 {
		list = append(list, fault{"stop_bits", fmt.Sprintf("a character cannot have %d stop bits here", set.StopBits), "1 or 2"})
	}
	list = append(list, oneOf("parity", set.Parity, ParityNone, ParityOdd, ParityEven, ParityMark, ParitySpace)...)
	list = append(list, oneOf("flow", set.Flow, FlowNone, FlowRTSCTS, FlowXONXOFF)...)
	list = append(list, oneOf("driver", c.driverOn(goos), DriverNative, DriverLibrary)...)
	return append(list, set.driverFaults(c.driverOn(goos), goos)...)
}

func (c Config) driverOn(goos string) string {
	if c.Driver == "" {
		return defaultDriver(goos)
	}
	return c.Driver
}

// driverFaults lists what the chosen driver cannot do on goos, each by name.
func (c Config) driverFaults(driver, goos string) []fault {
	if driver == DriverNative {
		if goos != "linux" {
			return []fault{{"driver", "the driver native exists only on Linux", "library, or leave driver out"}}
		}
		return nil
	}
	if driver != DriverLibrary {
		return nil
	}
	elsewhere := ""
	if goos == "linux" {
		elsewhere = "; the driver native can do it"
	}
	var list []fault
	if c.Flow == FlowRTSCTS || c.Flow == FlowXONXOFF {
		list = append(list, fault{"flow", "the driver library cannot do the flow control " + c.Flow, "none" + elsewhere})
	}
	if (c.Parity == ParityMark || c.Parity == ParitySpace) && goos != "linux" && goos != "windows" {
		list = append(list, fault{"parity", "the driver library cannot do the parity " + c.Parity + " on this system", "none, odd or even"})
	}
	if goos != "linux" && goos != "windows" && goos != "darwin" && !slices.Contains(usualSpeeds, c.Speed) {
		list = append(list, fault{"speed", fmt.Sprintf("the driver library cannot do the speed %d on this system", c.Speed), "a usual speed, such as 1200, 2400, 4800, 9600, 19200"})
	}
	return list
}

// usualSpeeds are the speeds up to 115200 that every system has a name for.
var usualSpeeds = []int{50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400, 57600, 115200}

const addressAllowed = "a serial device such as /dev/serial/by-id/… or COM3, or tcp://host:port"

func (c Config) addressFaults() []fault {
	bad := func(what string) []fault { return []fault{{"address", what, addressAllowed}} }
	switch {
	case c.Address == "":
		return bad("the address of the port is missing")
	case strings.ContainsAny(c.Address, "\x00\r\n\t"):
		return bad(fmt.Sprintf("the address %q has a control character in it", c.Address))
	case c.Address != strings.TrimSpace(c.Address):
		return bad(fmt.Sprintf("the address %q begins or ends with a space", c.Address))
	}
	scheme, _, isURL := strings.Cut(c.Address, "://")
	if !isURL {
		return nil
	}
	if scheme != "tcp" {
		return bad(fmt.Sprintf("%s:// is no kind of port", scheme))
	}
	u, err := url.Parse(c.Address)
	if err != nil {
		return bad("the address cannot be read as tcp://host:port")
	}
	if u.User != nil {
		return bad("a raw device server takes no user or password; the address has one")
	}
	if u.Path != "" || u.RawQuery != "" || u.Fragment != "" || u.ForceQuery {
		return bad("there is something after the port number in " + c.Address)
	}
	if n, err := strconv.Atoi(u.Port()); u.Hostname() == "" || err != nil || n < 1 || n > 65535 {
		return bad(c.Address + " lacks a host or a port number from 1 to 65535")
	}
	return nil
}

// strayFaults lists settings of a serial line beside an address that is none.
func (c Config) strayFaults() []fault {
	var list []fault
	stray := func(key string, set bool) {
		if set {
			list = append(list, fault{key, key + " has no effect on a device server: it is set there", "leave it out"})
		}
	}
	stray("speed", c.Speed != 0)
	stray("data_bits", c.DataBits != 0)
	stray("parity", c.Parity != "")
	stray("stop_bits", c.StopBits != 0)
	stray("flow", c.Flow != "")
	stray("driver", c.Driver != "")
	list = append(list, between("dial_timeout", c.DialTimeout, 100*time.Millisecond, time.Minute)...)
	return append(list, between("keep_alive", c.KeepAlive, time.Second, time.Hour)...)
}

// between refuses a length of time outside of its bounds; 0 stands for the default.
func between(key string, d strict.Duration, least, most time.Duration) []fault {
	if d == 0 || d.D() >= least && d.D() <= most {
		return nil
	}
	return []fault{{key, fmt.Sprintf("%v is too %s", d, map[bool]string{true: "short", false: "long"}[d.D() < least]), fmt.Sprintf("%v to %v", least, most)}}
}

func oneOf(key, value string, allowed ...string) []fault {
	if slices.Contains(allowed, value) {
		return nil
	}
	return []fault{{key, fmt.Sprintf("there is no %s %q", key, value), strings.Join(allowed, ", ")}}
}

// refuse gives the first mistake as the reason why the port cannot be opened.
func (c Config) refuse() error {
	if c.isTCP() { // defaults were filled in; only the address can be wrong
		c = Config{Address: c.Address, DialTimeout: c.DialTimeout, KeepAlive: c.KeepAlive, WriteTimeout: c.WriteTimeout}
	} else {
		c.DialTimeout, c.KeepAlive = 0, 0
	}
	list := c.faults(runtime.GOOS)
	if len(list) == 0 {
		return nil
	}
	f := list[0]
	return &Trouble{Code: CodeRefused, Sentence: fmt.Sprintf("The port %s cannot be used: %s.", c.Address, f.what),
		Remedy: fmt.Sprintf("Set %s in the configuration; allowed: %s.", f.key, f.allowed)}
}

// hostPort is the part of a tcp address that a dialler takes.
func (c Config) hostPort() string {
	u, err := url.Parse(c.Address)
	if err != nil {
		return ""
	}
	return net.JoinHostPort(u.Hostname(), u.Port())
}
