package nats

import (
	"cmp"
	"fmt"
	"maps"
	"net"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Config is one NATS sink as a person writes it.
type Config struct {
	Servers     []string        `yaml:"servers" desc:"Addresses of one cluster: nats://host:4222 without encryption, tls://host:4222 with TLS. One that answers is used."`
	Insecure    bool            `yaml:"insecure" desc:"Allow a connection without encryption to another machine." default:"false"`
	Stream      string          `yaml:"stream" desc:"Name of the JetStream stream that keeps the entries. Only its own acknowledgement counts." default:"WEIGHPOST"`
	Prefix      string          `yaml:"subject_prefix" desc:"What all subjects begin with; site, balance and kind of entry follow." default:"weighpost"`
	Create      bool            `yaml:"create" desc:"Make the stream if there is none. One that is there is never changed." default:"false"`
	Subjects    []string        `yaml:"subjects" desc:"What a stream that is made takes in; everything below the prefix if not given."`
	Replicas    int             `yaml:"replicas" desc:"How many servers keep each message, 1 to 5. A stream with fewer is not used; a server alone has 1." default:"3"`
	Retention   string          `yaml:"retention" desc:"How long the stream keeps messages: up to its limits, or until one reader has dealt with them (workqueue). A stream of another kind is not used." enum:"limits,workqueue" default:"limits"`
	MaxAge      strict.Duration `yaml:"max_age" desc:"A stream that is made drops messages after this time, 1h or more; 0s never." default:"0s"`
	MaxBytes    int64           `yaml:"max_bytes" desc:"A stream that is made takes no more once it holds so many bytes; 0 for no such limit." default:"0"`
	Window      strict.Duration `yaml:"duplicate_window" desc:"Within this time the stream keeps an entry that comes again only once, 1s to 24h. A stream with a shorter one is not used." default:"2m"`
	InFlight    int             `yaml:"in_flight" desc:"Most messages on their way at once, 1 to 1000." default:"256"`
	Timeout     strict.Duration `yaml:"timeout" desc:"How long the stream may take to acknowledge a message, 100ms to 10m." default:"10s"`
	Username    string          `yaml:"username" desc:"User name for the servers."`
	Password    strict.Secret   `yaml:"password" desc:"Where the password is kept: file:/path or env:NAME."`
	NKey        strict.Secret   `yaml:"nkey" desc:"Where the seed of an NKey is kept, which begins with SU: file:/path or env:NAME."`
	Credentials strict.Secret   `yaml:"credentials" desc:"Where a credentials file (a token and its NKey) is kept: file:/path or env:NAME."`
	CA          string          `yaml:"ca" desc:"PEM file of the authorities that may vouch for the servers; those of the system if not given."`
	Certificate string          `yaml:"certificate" desc:"PEM file of the client certificate that is shown to the servers."`
	Key         string          `yaml:"key" desc:"PEM file of the private key of the client certificate."`

	format.Choice `yaml:",inline"`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Stream: "WEIGHPOST", Prefix: "weighpost", Replicas: 3, Retention: retainLimits, Window: strict.Duration(2 * time.Minute),
		InFlight: 256, Timeout: strict.Duration(10 * time.Second), Choice: format.DefaultChoice()}
}

const (
	serversAllowed  = "nats://host:port (plain) or tls://host:port (TLS)"
	retainLimits    = "limits"
	retainWorkqueue = "workqueue"
)

// PrivateKeys names the file with the private key of the client certificate.
func (c *Config) PrivateKeys() map[string]string {
	if c.Key == "" {
		return nil
	}
	return map[string]string{"key": c.Key}
}

// Check adds every fault of the configuration to r.
func (c *Config) Check(r *strict.Report) {
	if len(c.Servers) == 0 {
		r.At("servers").Fault("names no server", "["+serversAllowed+"]")
	}
	if len(c.Servers) > 16 {
		r.At("servers").Fault(fmt.Sprintf("names %d servers", len(c.Servers)), "at most 16")
	}
	schemes := map[string]bool{}
	for i, text := range c.Servers {
		if u := checkServer(r.At("servers").Index(i), text); u != nil {
			schemes[u.Scheme] = true
			if u.Scheme == "nats" && !c.Insecure && !loopback(u.Hostname()) {
				r.At("servers").Index(i).Fault("the connection to "+show(u.Host)+" would not be encrypted: anyone on the way could read and change weighings",
					"tls://, a server on this machine, or insecure: true if you accept that")
			}
		}
	}
	if len(schemes) > 1 {
		r.At("servers").Fault("some with TLS and some without", "all tls:// or all nats://")
	}
	c.checkFiles(r, schemes["nats"])
	c.checkIdentity(r)
	c.checkStream(r)
	if c.InFlight < 1 || c.InFlight > 1000 {
		r.At("in_flight").Fault(fmt.Sprintf("%d is out of range", c.InFlight), "1 to 1000")
	}
	if d := c.Timeout.D(); d < 100*time.Millisecond || d > 10*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "100ms to 10m")
	}
	c.Choice.Check(r, format.OneByOne)
}

// checkServer reads one address. The URL is nil where it has a fault.
func checkServer(r *strict.Report, text string) *url.URL {
	u, err := url.Parse(text)
	if err != nil {
		r.Fault("the address of the server is no URL", serversAllowed) // the error would repeat what may hold a password
		return nil
	}
	_, badPort := net.LookupPort("tcp", u.Port())
	switch {
	case u.User != nil:
		r.Fault("the address holds a user name or a password: use username and password: file:/path", serversAllowed)
	case u.Scheme != "nats" && u.Scheme != "tls":
		r.Fault("the scheme "+show(u.Scheme)+" is not known", serversAllowed)
	case u.Hostname() == "":
		r.Fault("the address names no host", serversAllowed)
	case u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "":
		r.Fault("the address has something after the port", serversAllowed)
	case u.Port() == "0", u.Port() != "" && badPort != nil:
		r.Fault("port "+u.Port()+" does not exist", "1 to 65535")
	default:
		return u
	}
	return nil
}

func (c *Config) checkFiles(r *strict.Report, plain bool) {
	files := map[string]string{"ca": c.CA, "certificate": c.Certificate, "key": c.Key}
	for _, key := range slices.Sorted(maps.Keys(files)) {
		switch path := files[key]; {
		case path == "":
		case plain:
			r.At(key).Fault("is given, but the connection has no TLS", "tls:// in servers")
		case !filepath.IsAbs(path):
			r.At(key).Fault(show(path)+" is not absolute; the daemon does not run in this folder", "/absolute/path.pem")
		}
	}
	if (c.Certificate == "") != (c.Key == "") {
		r.At("certificate").Fault("certificate and key go together", "both, or neither")
	}
}

func (c *Config) checkIdentity(r *strict.Report) {
	if (c.Username == "") != c.Password.IsZero() {
		r.At("username").Fault("username and password go together", "both, or neither")
	}
	if !utf8.ValidString(c.Username) || strings.ContainsFunc(c.Username, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		r.At("username").Fault("holds control characters", "printable text")
	}
	ways := 0
	for _, given := range []bool{c.Username != "", !c.NKey.IsZero(), !c.Credentials.IsZero()} {
		if given {
			ways++
		}
	}
	if ways > 1 {
		r.At("credentials").Fault("more than one way to show who weighpost is", "username and password, nkey, or credentials")
	}
}

func (c *Config) checkStream(r *strict.Report) {
	if why := checkStreamName(c.Stream); why != "" {
		r.At("stream").Fault(show(c.Stream)+" "+why, "a name of letters, digits, - and _, such as WEIGHPOST")
	}
	if why := checkPrefix(c.Prefix); why != "" {
		r.At("subject_prefix").Fault(show(c.Prefix)+" "+why, "words with a dot between them, such as weighpost or lab.weighpost")
	}
	for i, s := range c.Subjects {
		if why := checkFilter(s); why != "" {
			r.At("subjects").Index(i).Fault(show(s)+" "+why, "a subject, such as weighpost.north-lab.>")
		}
	}
	if len(c.Subjects) > 0 && !c.Create {
		r.At("subjects").Fault("is given, but no stream is to be made", "create: true")
	}
	if c.Replicas < 1 || c.Replicas > 5 {
		r.At("replicas").Fault(fmt.Sprintf("%d is out of range", c.Replicas), "1 to 5")
	}
	if c.Retention != retainLimits && c.Retention != retainWorkqueue {
		r.At("retention").Fault(show(c.Retention)+" cannot be used", "limits or workqueue: with interest a stream acknowledges and drops what nobody listens to")
	}
	if d := c.MaxAge.D(); d != 0 && d < time.Hour {
		r.At("max_age").Fault(d.String()+" is out of range", "0s, or 1h or more")
	}
	if c.MaxBytes < 0 {
		r.At("max_bytes").Fault("is negative", "0 or more")
	}
	if d := c.Window.D(); d < time.Second || d > 24*time.Hour {
		r.At("duplicate_window").Fault(d.String()+" is out of range", "1s to 24h")
	}
}

// Carries says which kinds of entry the chosen format can hold.
func (c *Config) Carries(k record.Kind) bool { return c.Choice.Carries(k) }

// Destination is the cluster, the stream and what all subjects begin with.
func (c *Config) Destination() string {
	var all []string
	for _, text := range c.Servers {
		u, err := url.Parse(text)
		if err != nil {
			return "nats, at an address that is no URL"
		}
		all = append(all, u.Scheme+"://"+hostPort(u))
	}
	slices.Sort(all)
	return "nats " + strings.Join(slices.Compact(all), ",") + " " + c.Stream + " " + c.Prefix + "."
}

// Open makes the sink. The id is that of the sink in the configuration.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// hostPort is where a URL leads to; 4222 is the port that the servers have where nothing else is said.
func hostPort(u *url.URL) string {
	return net.JoinHostPort(strings.ToLower(u.Hostname()), cmp.Or(u.Port(), "4222"))
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// show quotes what a person wrote.
func show(s string) string { return fmt.Sprintf("%.60q", s) }
