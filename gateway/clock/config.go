package clock

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/parsers/strict"
)

// Config is which time servers are asked, how often, and what counts as checked. What is left out has its default.
type Config struct {
	Servers  []string        `yaml:"servers" desc:"Time servers (NTP), each a host with an optional port: three or more of different origin. Without any, stamps say unchecked."`
	PollMin  strict.Duration `yaml:"poll_min" desc:"Shortest time between two questions once the clock is checked, 16s to 36h." default:"64s"`
	PollMax  strict.Duration `yaml:"poll_max" desc:"Longest time between two questions, up to 36h; the time doubles while the servers agree." default:"1024s"`
	Timeout  strict.Duration `yaml:"timeout" desc:"How long an answer may take, 100ms to 10s; each bit of it widens the bound." default:"2s"`
	DriftPPM int             `yaml:"drift_ppm" desc:"By how many millionths this computer's raw clock may drift, 1 to 5000; the bound grows by it between two agreements." default:"100"`
	Ceiling  strict.Duration `yaml:"ceiling" desc:"Largest bound with which a stamp still counts as checked, 1ms to 1h." default:"500ms"`
}

// Defaults of what a configuration leaves out. A quartz of the cheaper sort is made within 50 ppm and moves by as much
// again over the temperatures of a cupboard and with its age: 100 ppm. NTP itself reckons with 15 ppm (PHI, RFC 5905
// section 7.2) for a clock whose frequency it has corrected; the raw clock's is not.
const (
	defaultPollMin  = strict.Duration(64 * time.Second)
	defaultPollMax  = strict.Duration(1024 * time.Second)
	defaultTimeout  = strict.Duration(2 * time.Second)
	defaultDriftPPM = 100
	defaultCeiling  = strict.Duration(500 * time.Millisecond)
)

// mostServers keeps one round of questions small.
const mostServers = 16

func (c Config) withDefaults() Config {
	for _, d := range []struct {
		at   *strict.Duration
		then strict.Duration
	}{{&c.PollMin, defaultPollMin}, {&c.PollMax, defaultPollMax}, {&c.Timeout, defaultTimeout}, {&c.Ceiling, defaultCeiling}} {
		if *d.at == 0 {
			*d.at = d.then
		}
	}
	c.PollMax = max(c.PollMax, c.PollMin)
	if c.DriftPPM == 0 {
		c.DriftPPM = defaultDriftPPM
	}
	return c
}

// Check adds every fault that it sees to r, and notes where there are fewer servers than it takes to find a liar.
func (c *Config) Check(r *strict.Report) {
	c.checkServers(r.At("servers"))
	const longest = 36 * time.Hour
	between(r.At("poll_min"), c.PollMin, 16*time.Second, longest)
	between(r.At("poll_max"), c.PollMax, 16*time.Second, longest)
	between(r.At("timeout"), c.Timeout, 100*time.Millisecond, 10*time.Second)
	between(r.At("ceiling"), c.Ceiling, time.Millisecond, time.Hour)
	least := c.PollMin
	if least == 0 {
		least = defaultPollMin
	}
	if c.PollMax != 0 && c.PollMax < least {
		r.At("poll_max").Fault("is shorter than poll_min ("+least.String()+")", "at least poll_min")
	}
	if at := r.At("drift_ppm"); at.Written() && c.DriftPPM == 0 || c.DriftPPM < 0 || c.DriftPPM > 5000 {
		at.Fault(strconv.Itoa(c.DriftPPM)+" is out of range: no clock runs without drift", "1 to 5000")
	}
}

func (c *Config) checkServers(r *strict.Report) {
	if len(c.Servers) > mostServers {
		r.Fault(fmt.Sprintf("names %d servers", len(c.Servers)), fmt.Sprintf("at most %d", mostServers))
	}
	for i, s := range c.Servers {
		if why := refuseServer(s); why != "" {
			r.Index(i).Fault(why, "a host with an optional port, such as time.example, time.example:123, 192.0.2.1 or [2001:db8::1]:123")
		} else if slices.ContainsFunc(c.Servers[:i], func(o string) bool { return strings.EqualFold(address(o), address(s)) }) {
			r.Index(i).Fault(fmt.Sprintf("%q stands here twice, and one server must not count as two", s), "each server once")
		}
	}
	switch len(c.Servers) {
	case 0:
		r.Note("no time server is configured: every stamp is the computer's own clock and says unchecked")
	case 1:
		r.Note("one time server: nobody can tell when it is wrong; name three or more of different origin")
	case 2:
		r.Note("two time servers: where they disagree neither is believed, and both must answer; name three or more of different origin")
	}
}

// address writes a server as host and port; NTP has port 123.
func address(server string) string {
	host, port, err := net.SplitHostPort(server)
	if err != nil {
		host, port = strings.Trim(server, "[]"), "123"
	}
	return net.JoinHostPort(host, port)
}

// refuseServer says why this names no server, or "".
func refuseServer(server string) string {
	if strings.Contains(server, "/") {
		return fmt.Sprintf("%q is no host: a time server has no URL", server)
	}
	host, port, err := net.SplitHostPort(address(server))
	if err != nil || host == "" {
		return fmt.Sprintf("%q names no host", server)
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 || strconv.FormatUint(n, 10) != port {
		return fmt.Sprintf("%q is no port number", port)
	}
	if _, err := netip.ParseAddr(host); err == nil {
		return ""
	}
	for _, c := range host {
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '.' && c != '_' {
			return fmt.Sprintf("%q is no host's name and no address", server)
		}
	}
	if len(host) > 253 {
		return fmt.Sprintf("is %d characters long, and a host's name has at most 253", len(host))
	}
	return ""
}

func between(r *strict.Report, d strict.Duration, least, most time.Duration) {
	if (d != 0 || r.Written()) && (d.D() < least || d.D() > most) {
		r.Fault(d.String()+" is out of range", strict.Duration(least).String()+" to "+strict.Duration(most).String())
	}
}
