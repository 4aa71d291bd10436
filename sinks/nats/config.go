package nats

import (
	"cmp"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Config is one NATS sink as a person writes it.
type Config struct {
	Connection `yaml:",inline"`

	Stream    string          `yaml:"stream" desc:"Name of the JetStream stream that keeps the entries. Only its own acknowledgement counts." default:"WEIGHPOST"`
	Prefix    string          `yaml:"subject_prefix" desc:"What all subjects begin with; site, balance and kind of entry follow." default:"weighpost"`
	Create    bool            `yaml:"create" desc:"Make the stream if there is none. One that is there is never changed." default:"false"`
	Subjects  []string        `yaml:"subjects" desc:"What a stream that is made takes in; everything below the prefix if not given."`
	Replicas  int             `yaml:"replicas" desc:"How many servers keep each message, 1 to 5. A stream with fewer is not used; a server alone has 1." default:"3"`
	Retention string          `yaml:"retention" desc:"How long the stream keeps messages: up to its limits, or until one reader has dealt with them (workqueue). A stream of another kind is not used." enum:"limits,workqueue" default:"limits"`
	MaxAge    strict.Duration `yaml:"max_age" desc:"A stream that is made drops messages after this time, 1h or more; 0s never." default:"0s"`
	MaxBytes  int64           `yaml:"max_bytes" desc:"A stream that is made takes no more once it holds so many bytes; 0 for no such limit." default:"0"`
	Window    strict.Duration `yaml:"duplicate_window" desc:"Within this time the stream keeps an entry that comes again only once, 1s to 24h. A stream with a shorter one is not used." default:"2m"`
	InFlight  int             `yaml:"in_flight" desc:"Most messages on their way at once, 1 to 1000." default:"256"`
	Timeout   strict.Duration `yaml:"timeout" desc:"How long the stream may take to acknowledge a message, 100ms to 10m." default:"10s"`

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

// Check adds every fault of the configuration to r.
func (c *Config) Check(r *strict.Report) {
	c.Connection.Check(r)
	c.checkStream(r)
	if c.InFlight < 1 || c.InFlight > 1000 {
		r.At("in_flight").Fault(fmt.Sprintf("%d is out of range", c.InFlight), "1 to 1000")
	}
	if d := c.Timeout.D(); d < 100*time.Millisecond || d > 10*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "100ms to 10m")
	}
	c.Choice.Check(r, format.OneByOne)
}

func (c *Config) checkStream(r *strict.Report) {
	if why := CheckStreamName(c.Stream); why != "" {
		r.At("stream").Fault(show(c.Stream)+" "+why, "a name of letters, digits, - and _, such as WEIGHPOST")
	}
	if why := CheckPrefix(c.Prefix); why != "" {
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
