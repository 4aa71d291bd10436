package tap

import (
	"fmt"
	"net"
	"net/netip"
	"path/filepath"
	"reflect"
	"runtime"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/port"
	"weighpost/parsers/strict"
)

// What a tap does while its balance is out of service.
const (
	GoOn        = "go-on"
	ReceiveOnly = "receive-only"
	Cut         = "cut"
)

const (
	defaultAnswer = strict.Duration(2 * time.Second)
	defaultWait   = strict.Duration(5 * time.Second)
)

// Config is where the program finds its balance: exactly one of PseudoTerminal, Port and Listen.
type Config struct {
	PseudoTerminal string       `yaml:"pseudo_terminal" desc:"The path of a link that leads to a pseudo-terminal, which the program opens like the serial port it had: /run/weighpost/b-12. The folder must be there; a file of another is never replaced. Not on Windows."`
	Group          string       `yaml:"group" desc:"The group whose members may open the pseudo-terminal, beside the user that runs weighpost, who must be a member. Left out: that user only."`
	Port           *port.Config `yaml:"port" desc:"A second serial port, with its settings, on a cable to the program's computer or one end of a pair of virtual ports."`
	Listen         string       `yaml:"listen" desc:"Address and port where one program at a time may connect over TCP: 127.0.0.1:4012. Loopback only, unless insecure."`
	Insecure       bool         `yaml:"insecure" desc:"Allow listen beyond loopback: whoever reaches it may read the balance and send to it, without sign-in or encryption." default:"false"`

	Answer strict.Duration `yaml:"answer" desc:"How long the balance may take to answer what the program sent; 100ms to 30s. Meanwhile nobody else asks it." default:"2s"`
	Wait   strict.Duration `yaml:"wait" desc:"How long what the program sent waits while the balance answers another question; 100ms to 1m. After that it is left out and counted." default:"5s"`

	OutOfService string `yaml:"out_of_service" desc:"What the tap does while the balance is out of service: go-on, receive-only (nothing of the program's is sent), or cut (nothing either way). What the balance sends is recorded all the same. Left out: cut, or go-on where the fitness of the balance has unfit: mark." enum:"go-on,receive-only,cut"`
}

func (c Config) answer() time.Duration {
	if c.Answer == 0 {
		return defaultAnswer.D()
	}
	return c.Answer.D()
}

func (c Config) wait() time.Duration {
	if c.Wait == 0 {
		return defaultWait.D()
	}
	return c.Wait.D()
}

// cuts says whether the program gets nothing while the balance is out of service.
func (c Config) cuts() bool { return c.OutOfService == Cut || c.OutOfService == "" }

// Where is the tap's address as a person knows it.
func (c Config) Where() string {
	switch {
	case c.PseudoTerminal != "":
		return c.PseudoTerminal
	case c.Port != nil:
		return c.Port.Address
	}
	return "tcp " + c.Listen
}

// Same says whether two configurations mean the same tap; nil is none.
func (c *Config) Same(other *Config) bool { return reflect.DeepEqual(c, other) }

const (
	kindsAllowed  = "exactly one of pseudo_terminal, port and listen"
	listenAllowed = "a loopback address and a port, such as 127.0.0.1:4012 or [::1]:4012"
)

// Check adds every fault that it sees to r, for the system that this runs on.
func (c *Config) Check(r *strict.Report) { c.check(r, runtime.GOOS) }

func (c *Config) check(r *strict.Report, goos string) {
	kinds := 0
	for _, has := range []bool{c.PseudoTerminal != "", c.Port != nil, c.Listen != ""} {
		if has {
			kinds++
		}
	}
	if kinds != 1 {
		r.Fault(fmt.Sprintf("the tap has %d places for the program", kinds), kindsAllowed)
	}
	if c.PseudoTerminal != "" {
		c.checkPseudoTerminal(r.At("pseudo_terminal"), goos)
	} else if c.Group != "" {
		r.At("group").Fault("has no effect without pseudo_terminal", "leave it out")
	}
	if c.Port != nil {
		c.Port.Check(r.At("port"))
		if strings.Contains(c.Port.Address, "://") {
			r.At("port").At("address").Fault("is no serial port of this computer", "a serial device; for TCP use listen")
		}
		if c.Port.ListenOnly {
			r.At("port").At("listen_only").Fault("a tap's own port sends to the program", "listen_only at the balance's port")
		}
	}
	c.checkListen(r)
	between(r, "answer", c.Answer, 100*time.Millisecond, 30*time.Second, "100ms to 30s")
	between(r, "wait", c.Wait, 100*time.Millisecond, time.Minute, "100ms to 1m")
}

func (c *Config) checkPseudoTerminal(r *strict.Report, goos string) {
	path := c.PseudoTerminal
	switch {
	case goos == "windows":
		r.Fault("Windows has no pseudo-terminals", "port with one end of a pair of serial ports, or listen: 127.0.0.1:4012")
	case goos != "linux" && goos != "darwin":
		r.Fault("weighpost makes no pseudo-terminals on this system", "port, or listen: 127.0.0.1:4012")
	case strings.ContainsFunc(path, func(c rune) bool { return c < ' ' || c == 0x7f }):
		r.Fault("the path has a control character in it", "the path of a link in a folder that is there")
	case !filepath.IsAbs(path) || filepath.Clean(path) != path || path == "/":
		r.Fault(fmt.Sprintf("%q is no absolute path of a file, plainly written", path), "such as /run/weighpost/b-12")
	}
}

func (c *Config) checkListen(r *strict.Report) {
	if c.Listen == "" {
		if c.Insecure {
			r.At("insecure").Fault("has no effect without listen", "leave it out")
		}
		return
	}
	at := r.At("listen")
	host, number, err := net.SplitHostPort(c.Listen)
	n, bad := strconv.ParseUint(number, 10, 16)
	switch {
	case err != nil:
		at.Fault(fmt.Sprintf("%q is no address with a port", c.Listen), listenAllowed)
		return
	case bad != nil || n == 0 || strconv.FormatUint(n, 10) != number:
		at.Fault(fmt.Sprintf("%q is no port number that a program can be told", number), listenAllowed)
		return
	}
	ip, err := netip.ParseAddr(host)
	switch {
	case host == "localhost", err == nil && ip.IsLoopback():
		if c.Insecure {
			r.At("insecure").Note("is not needed: the tap stays on loopback")
		}
	case err != nil && host != "":
		at.Fault(fmt.Sprintf("%q is no address of this computer", host), listenAllowed)
	case !c.Insecure:
		at.Fault("would open the balance to the network: whoever reaches it could read and send, without sign-in or encryption",
			listenAllowed+"; or insecure: true if you accept that")
	default:
		at.Note("the tap is open to the network: whoever reaches it can read the balance and send to it, without sign-in or encryption; " +
			"let a firewall allow the one computer that needs it")
	}
}

// between refuses a length of time outside of its bounds, and a 0 that somebody wrote.
func between(r *strict.Report, key string, d strict.Duration, least, most time.Duration, allowed string) {
	at := r.At(key)
	if d == 0 && !at.Written() || d.D() >= least && d.D() <= most {
		return
	}
	at.Fault(fmt.Sprintf("%v is too short or too long", d), allowed)
}
