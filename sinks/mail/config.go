package mail

import (
	"cmp"
	"fmt"
	"net"
	"net/mail"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// How the connection to the server is encrypted.
const (
	startTLS    = "starttls" // RFC 3207, always: a server that does not offer it is not used
	implicitTLS = "tls"      // from the first byte on, RFC 8314 section 3.3
	noTLS       = "none"
)

// Config is one mail sink as a person writes it.
type Config struct {
	Server   string          `yaml:"server" desc:"The mail server that takes messages: host, or host:port (587 for starttls, 465 for tls, 25 for none, if not given)."`
	TLS      string          `yaml:"tls" desc:"starttls: encrypted before anything is said, as on port 587; tls: from the first byte on, as on port 465; none: not at all." enum:"starttls,tls,none" default:"starttls"`
	Insecure bool            `yaml:"insecure" desc:"Allow tls: none to another machine." default:"false"`
	User     string          `yaml:"user" desc:"User name at the server. Left out: it takes messages without."`
	Password strict.Secret   `yaml:"password" desc:"Where the password, or for xoauth2 the token, is kept: file:/path or env:NAME."`
	Auth     string          `yaml:"auth" desc:"How the password is shown." enum:"plain,login,xoauth2" default:"plain"`
	CA       string          `yaml:"ca" desc:"PEM file of the authorities that may vouch for the server; those of the system if not given."`
	From     string          `yaml:"from" desc:"The address that messages come from."`
	To       []string        `yaml:"to" desc:"The addresses that messages go to, 1 to 20."`
	Timeout  strict.Duration `yaml:"timeout" desc:"How long a message may take, 1s to 5m." default:"30s"`
	PerHour  int             `yaml:"per_hour" desc:"Most messages an hour, 1 to 1000. What is more waits, and then goes out as one." default:"20"`
	Attach   bool            `yaml:"attach" desc:"Attach each entry as it is in the journal (JSON). A report that was issued is attached in any case, as its PDF." default:"false"`
	Alarms   Alarms          `yaml:"alarms" desc:"Which of the conditions that hold are told, and how often. They are told beside the entries that the sink gets."`
}

// Alarms say which conditions are told.
type Alarms struct {
	Severity string          `yaml:"severity" desc:"How bad a condition must be: notice (all), warning, error; none tells no condition." enum:"notice,warning,error,none" default:"error"`
	Codes    []string        `yaml:"codes" desc:"Only conditions with these codes, such as sink-stopped. Left out: all that are bad enough."`
	Wait     strict.Duration `yaml:"wait" desc:"How long a condition must hold before it is told, and be over before that is told; up to 1h." default:"10s"`
	Repeat   strict.Duration `yaml:"repeat" desc:"How often a condition that goes on is told again, 1h to 720h; 0s never." default:"24h"`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{TLS: startTLS, Auth: "plain", Timeout: strict.Duration(30 * time.Second), PerHour: 20,
		Alarms: Alarms{Severity: "error", Wait: strict.Duration(10 * time.Second), Repeat: strict.Duration(24 * time.Hour)}}
}

// Usual are the kinds of entry that the sink gets where the file says nothing: attempts at unauthorized use are told at once (21 CFR
// 11.300(d)), and so is damage.
func (c *Config) Usual() []record.Kind {
	return []record.Kind{record.KindSignInRefused, record.KindDamage}
}

// Check adds every fault of the configuration to r. It does not look at files or the network.
func (c *Config) Check(r *strict.Report) {
	c.checkServer(r)
	c.checkPeople(r)
	if d := c.Timeout.D(); d < time.Second || d > 5*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "1s to 5m")
	}
	if c.PerHour < 1 || c.PerHour > 1000 {
		r.At("per_hour").Fault(fmt.Sprintf("%d messages an hour are out of range", c.PerHour), "1 to 1000")
	}
	a, at := &c.Alarms, r.At("alarms")
	if a.Severity != "none" && rank(a.Severity) < 0 {
		at.At("severity").Fault(fmt.Sprintf("%.20q is no severity", a.Severity), "notice, warning, error or none")
	}
	if d := a.Wait.D(); d < 0 || d > time.Hour {
		at.At("wait").Fault(d.String()+" is out of range", "0s to 1h")
	}
	if d := a.Repeat.D(); d != 0 && (d < time.Hour || d > 720*time.Hour) {
		at.At("repeat").Fault(d.String()+" is out of range", "1h to 720h, or 0s for never")
	}
	for i, code := range a.Codes {
		if record.CheckName(code) != nil || slices.Index(a.Codes, code) < i {
			at.At("codes").Index(i).Fault(fmt.Sprintf("%.40q is no code of a condition, or stands here twice", code), "a code such as sink-stopped: see configs/conditions.md")
		}
	}
}

func (c *Config) checkServer(r *strict.Report) {
	const allowed = "a host, or host:port, such as mail.example:587"
	host, port, err := c.address()
	switch at := r.At("server"); {
	case c.Server == "":
		at.Fault("the mail server is missing", allowed)
	case err != nil || host == "" || strings.ContainsAny(host, " /@\r\n\t"):
		at.Fault(fmt.Sprintf("%.60q is no host with a port", c.Server), allowed)
	default:
		if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
			at.Fault(fmt.Sprintf("%.20q is no port", port), "1 to 65535")
		}
	}
	switch at := r.At("tls"); {
	case c.TLS != startTLS && c.TLS != implicitTLS && c.TLS != noTLS:
		at.Fault(fmt.Sprintf("%.20q is no way to encrypt", c.TLS), "starttls, tls or none")
	case c.TLS == noTLS && !c.Insecure && !loopback(host):
		at.Fault("anyone on the way to the server could read messages and the password", "starttls or tls, or insecure: true if you accept that")
	}
	if c.Auth != "plain" && c.Auth != "login" && c.Auth != "xoauth2" {
		r.At("auth").Fault(fmt.Sprintf("%.20q is no way to show a password", c.Auth), "plain, login or xoauth2")
	}
	if (c.User == "") != c.Password.IsZero() {
		r.At("user").Fault("user and password go together", "both, or neither")
	}
	if strings.ContainsFunc(c.User, func(c rune) bool { return c < ' ' || c == 0x7f }) {
		r.At("user").Fault("holds control characters", "the name that the server knows")
	}
	if c.CA != "" && !filepath.IsAbs(c.CA) {
		r.At("ca").Fault(fmt.Sprintf("%q is not absolute; the daemon does not run in this folder", c.CA), "/absolute/path.pem")
	}
	if c.CA != "" && c.TLS == noTLS {
		r.At("ca").Fault("is given, and the connection is not encrypted", "starttls or tls")
	}
}

func (c *Config) checkPeople(r *strict.Report) {
	if c.From == "" {
		r.At("from").Fault("the address that messages come from is missing", "an address such as weighpost@lab.example")
	} else if why := notAnAddress(c.From); why != "" {
		r.At("from").Fault(fmt.Sprintf("%.60q %s", c.From, why), "an address such as weighpost@lab.example")
	}
	if len(c.To) == 0 || len(c.To) > 20 {
		r.At("to").Fault(fmt.Sprintf("there are %d addresses that messages go to", len(c.To)), "1 to 20 addresses")
	}
	for i, to := range c.To {
		if why := notAnAddress(to); why != "" {
			r.At("to").Index(i).Fault(fmt.Sprintf("%.60q %s", to, why), "an address such as keeper@lab.example")
		} else if slices.Index(c.To, to) < i {
			r.At("to").Index(i).Fault(fmt.Sprintf("%q stands here twice", to), "each address once")
		}
	}
}

// notAnAddress says why a text is no plain address (addr-spec of RFC 5322 section 3.4.1, ASCII), or "".
func notAnAddress(text string) string {
	a, err := mail.ParseAddress(text)
	switch {
	case err != nil || a.Address != text || a.Name != "":
		return "is no address"
	case len(text) > 254: // RFC 5321 section 4.5.3.1.3, less the angle brackets
		return "is longer than 254 characters"
	case strings.ContainsFunc(text, func(c rune) bool { return c <= ' ' || c > '~' || c == '"' }):
		return "has more than plain ASCII"
	}
	return ""
}

// address is the server's host and port.
func (c *Config) address() (host, port string, err error) {
	if !strings.Contains(c.Server, ":") || net.ParseIP(c.Server) != nil {
		return c.Server, cmp.Or(map[string]string{startTLS: "587", implicitTLS: "465"}[c.TLS], "25"), nil
	}
	return net.SplitHostPort(c.Server)
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Destination is whom messages go to: another server on the way is no other destination.
func (c *Config) Destination() string {
	to := slices.Clone(c.To)
	slices.Sort(to)
	return "mail to " + cmp.Or(strings.Join(to, ", "), "nobody")
}

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env), nil }

// Publishes says whether the sink takes checkpoints.
func (c *Config) Publishes() bool { return false }
