package port

import (
	"runtime"
	"time"

	"weighpost/parsers/strict"
)

// Parities.
const (
	ParityNone  = "none"
	ParityOdd   = "odd"
	ParityEven  = "even"
	ParityMark  = "mark"
	ParitySpace = "space"
)

// Flow controls.
const (
	FlowNone    = "none"
	FlowRTSCTS  = "rts-cts"
	FlowXONXOFF = "xon-xoff"
)

// Drivers.
const (
	DriverNative  = "native"
	DriverLibrary = "library"
)

// Schemes of addresses that are no serial device of this computer.
const (
	tcpScheme     = "tcp://"
	rfc2217Scheme = "rfc2217://"
)

// Config is where a balance's bytes come from. What is left out has its default; a field that means nothing for the kind of
// address (a speed for tcp, a driver for rfc2217) must be left out.
type Config struct {
	Address  string `yaml:"address" desc:"The serial device (/dev/serial/by-id/…, COM3), or a device server: tcp://host:port of one that passes bytes as they are and has its line set there, rfc2217://host:port of one whose line is set from here."`
	Speed    int    `yaml:"speed" desc:"Bits a second, as set at the balance; 50 to 4000000." default:"9600"`
	DataBits int    `yaml:"data_bits" desc:"Data bits of a character; 5 to 8." default:"8"`
	Parity   string `yaml:"parity" desc:"Parity bit of a character." enum:"none,odd,even,mark,space" default:"none"`
	StopBits int    `yaml:"stop_bits" desc:"Stop bits of a character; 1 or 2." hint:"1 or 2; a port set to 1 reads a balance that sends one and a half stop bits" default:"1"`
	Flow     string `yaml:"flow" desc:"Flow control." enum:"none,rts-cts,xon-xoff" default:"none"`
	Driver   string `yaml:"driver" desc:"What talks to the serial device; native is the default on Linux and exists only there." enum:"native,library"`

	ListenOnly bool `yaml:"listen_only" desc:"true: nothing is ever sent to the balance, by weighpost or through a tap. For a cable that splits the balance's line, so that weighpost listens while another program talks." default:"false"`

	Latency      strict.Duration `yaml:"latency" desc:"How long the way from the balance to this computer may hold a byte back; 1ms to 10s. Where the clock is checked, the error bound of a stamp includes it. Left out: 20ms for a serial port, 250ms for a device server."`
	WriteTimeout strict.Duration `yaml:"write_timeout" desc:"How long sending to the balance may take before it is given up; 100ms to 1m." default:"2s"`
	DialTimeout  strict.Duration `yaml:"dial_timeout" desc:"How long a device server may take to answer; 100ms to 1m. Only for tcp and rfc2217." default:"5s"`
	KeepAlive    strict.Duration `yaml:"keep_alive" desc:"After how long without a byte the connection is probed; 1s to 1h. One that is dead is noticed within twice that time and 3 s. Only for tcp and rfc2217." default:"15s"`
}

// Defaults of what a configuration leaves out.
const (
	defaultSpeed        = 9600
	defaultDataBits     = 8
	defaultStopBits     = 1
	serialLatency       = strict.Duration(20 * time.Millisecond)
	networkLatency      = strict.Duration(250 * time.Millisecond)
	defaultWriteTimeout = strict.Duration(2 * time.Second)
	defaultDialTimeout  = strict.Duration(5 * time.Second)
	defaultKeepAlive    = strict.Duration(15 * time.Second)
)

func (c Config) withDefaults() Config {
	if c.Speed == 0 {
		c.Speed = defaultSpeed
	}
	if c.DataBits == 0 {
		c.DataBits = defaultDataBits
	}
	if c.Parity == "" {
		c.Parity = ParityNone
	}
	if c.StopBits == 0 {
		c.StopBits = defaultStopBits
	}
	if c.Flow == "" {
		c.Flow = FlowNone
	}
	if c.Driver == "" {
		c.Driver = defaultDriver(runtime.GOOS)
	}
	if c.WriteTimeout == 0 {
		c.WriteTimeout = defaultWriteTimeout
	}
	if c.DialTimeout == 0 {
		c.DialTimeout = defaultDialTimeout
	}
	if c.KeepAlive == 0 {
		c.KeepAlive = defaultKeepAlive
	}
	return c
}

// ReadLatency is how long the way from the balance to this computer may hold a byte back.
func (c Config) ReadLatency() time.Duration {
	switch {
	case c.Latency != 0:
		return c.Latency.D()
	case c.isURL():
		return networkLatency.D()
	}
	return serialLatency.D()
}

func defaultDriver(goos string) string {
	if goos == "linux" {
		return DriverNative
	}
	return DriverLibrary
}

// Same says whether another configuration means the same port with the same settings, written out or by default.
func (c Config) Same(other Config) bool { return c.withDefaults() == other.withDefaults() }
