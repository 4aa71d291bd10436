package tcpout

import (
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/lines"
)

// Config is one tcp-out sink as a person writes it.
type Config struct {
	Listen       string          `yaml:"listen" desc:"Address and port where programs connect: 127.0.0.1:4011. Loopback only, unless insecure."`
	Dial         string          `yaml:"dial" desc:"In place of listen: host and port that is called and sent to, host:port."`
	Programs     int             `yaml:"programs" desc:"How many programs may be connected at once, 1 to 32; each gets every line." default:"1"`
	Insecure     bool            `yaml:"insecure" desc:"Allow another machine at the other end: without encryption or sign-in, anyone on the way can read and change weighings, and who connects first takes them." default:"false"`
	WriteTimeout strict.Duration `yaml:"write_timeout" desc:"How long a program may take to take a line; one that does not is disconnected. 100ms to 1m." default:"5s"`
	lines.Config `yaml:",inline" desc:"How lines are written, and when."`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Programs: 1, WriteTimeout: strict.Duration(5 * time.Second), Config: lines.Default()}
}

const (
	placesAllowed = "listen: 127.0.0.1:4011, or dial: host:port"
	insecureHint  = "an address of loopback, or insecure: true if you accept that"
)

// Check adds every fault to r.
func (c *Config) Check(r *strict.Report) {
	switch {
	case c.Listen == "" && c.Dial == "":
		r.Fault("has no place: neither listen nor dial is given", placesAllowed)
	case c.Listen != "" && c.Dial != "":
		r.At("dial").Fault("stands beside listen", placesAllowed)
	case c.Listen != "":
		c.checkPlace(r.At("listen"), c.Listen, true)
	default:
		c.checkPlace(r.At("dial"), c.Dial, false)
		if c.Programs != 1 {
			r.At("programs").Fault("has no effect with dial", "leave it out")
		}
	}
	if c.Programs < 1 || c.Programs > 32 {
		r.At("programs").Fault(fmt.Sprintf("%d programs at once is out of range", c.Programs), "1 to 32")
	}
	if d := c.WriteTimeout.D(); d < 100*time.Millisecond || d > time.Minute {
		r.At("write_timeout").Fault(d.String()+" is out of range", "100ms to 1m")
	}
	c.CheckLines(r)
}

func (c *Config) checkPlace(r *strict.Report, place string, listen bool) {
	host, number, err := net.SplitHostPort(place)
	n, bad := strconv.ParseUint(number, 10, 16)
	switch {
	case err != nil || host == "" && !listen:
		r.Fault(fmt.Sprintf("%.80q is no host with a port", place), placesAllowed)
		return
	case bad != nil || n == 0:
		r.Fault(fmt.Sprintf("%.20q is no port number", number), "1 to 65535")
		return
	}
	ip, err := netip.ParseAddr(host)
	switch {
	case host == "localhost", err == nil && ip.IsLoopback():
	case listen && err != nil && host != "":
		r.Fault(fmt.Sprintf("%.80q is no address of this computer", host), placesAllowed)
	case !c.Insecure && listen:
		r.Fault("would give weighings to whoever on the network connects first, without sign-in or encryption", insecureHint)
	case !c.Insecure:
		r.Fault(fmt.Sprintf("the connection to %s would not be encrypted: anyone on the way could read and change weighings", place), insecureHint)
	}
}

func (c *Config) where() string {
	if c.Listen != "" {
		return "listening at " + strings.ToLower(c.Listen)
	}
	return "to " + strings.ToLower(c.Dial)
}

// Destination is the address.
func (c *Config) Destination() string { return "tcp-out " + c.where() }

// Single says that an address to listen at serves one sink.
func (c *Config) Single() (what, instead string) {
	if c.Listen == "" {
		return "", ""
	}
	return "the address " + c.Listen + " to listen at", "another port number"
}

// Preview shows the line of one entry.
func (c *Config) Preview(_ string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	return c.Config.Preview(c.where(), env, e)
}

// Open makes the sink. It begins to listen, or to call, at once.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) {
	n := lines.Nature{Most: c.Programs, Write: c.WriteTimeout.D()}
	if c.Listen != "" {
		n.Where = "the address " + c.Listen
		return lines.New(c.Config, id, env, n, &listener{address: c.Listen})
	}
	n.Found, n.Where = true, "the program at "+c.Dial
	s, err := lines.New(c.Config, id, env, n, &dialler{address: c.Dial})
	if err != nil {
		return nil, err
	}
	return farther{s, strings.ToLower(c.Dial)}, nil
}

// farther is a sink with a far side that others may share.
type farther struct {
	*lines.Sink
	far string
}

func (f farther) Far() string { return f.far }
