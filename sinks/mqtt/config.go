package mqtt

import (
	"cmp"
	"crypto/tls"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"time"
	"unicode/utf8"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Config is one MQTT sink as a person writes it.
type Config struct {
	Broker      string          `yaml:"broker" desc:"Address of the broker: mqtt://host:1883 without encryption, mqtts://host:8883 with TLS."`
	Brokers     []string        `yaml:"brokers" desc:"Addresses of several brokers in place of one, in order of preference: the next one gets what comes while those before it cannot be reached. They have to be one cluster, or bridged, since nothing is sent to two of them."`
	Version     string          `yaml:"version" desc:"Version of MQTT that is spoken. 5: the broker tells why it does not take a message, and messages carry a media type and properties." enum:"3.1.1,5" default:"3.1.1"`
	Insecure    bool            `yaml:"insecure" desc:"Allow a connection without encryption to another machine." default:"false"`
	ClientID    string          `yaml:"client_id" desc:"Name under which the broker knows this connection; no other connection may use it. Made of site and sink if not given."`
	Username    string          `yaml:"username" desc:"User name for the broker."`
	Password    strict.Secret   `yaml:"password" desc:"Where the password is kept: file:/path or env:NAME."`
	CA          string          `yaml:"ca" desc:"PEM file of the authorities that may vouch for the broker; those of the system if not given."`
	Certificate string          `yaml:"certificate" desc:"PEM file of the client certificate that is shown to the broker."`
	Key         string          `yaml:"key" desc:"PEM file of the private key of the client certificate."`
	KeepAlive   strict.Duration `yaml:"keep_alive" desc:"A broker that has not answered for this long counts as gone, from 2s to 1h. It is asked twice as often." default:"30s"`
	Prefix      string          `yaml:"topic_prefix" desc:"What all topics begin with; the site's name follows." default:"weighpost"`
	Retain      bool            `yaml:"retain" desc:"Have the broker keep the last entry of each topic for later subscribers." default:"false"`
	Expiry      strict.Duration `yaml:"expiry" desc:"With version: 5, for how long the broker keeps an entry for subscribers that are away, from 1s; for ever if not given. An entry that nobody has fetched by then is gone there." default:"0s"`
	Live        bool            `yaml:"live" desc:"Publish the continuous stream as well, at QoS 0: it may drop readings and is no record." default:"false"`
	Requests    bool            `yaml:"requests" desc:"Take requests for the context of a balance from the broker, under PREFIX/SITE/BALANCE/context/set and …/context/change. Whoever may publish there can then say who weighs and what: protect these topics with the broker's access list. And, under PREFIX/SITE/BALANCE/read/ask, for the weight that a balance shows." default:"false"`
	Records     bool            `yaml:"requests_record" desc:"Let a request for a weight have it recorded. Whoever may publish under PREFIX/SITE/BALANCE/read/ask can then have weighings recorded, for whoever is signed in and whatever sample is set." default:"false"`
	Runs        bool            `yaml:"requests_runs" desc:"Take requests for runs of procedures under PREFIX/SITE/@/requests/set. Whoever may publish there can ask for runs, change what waits and cancel it, in the name of this destination: protect the topic with the broker's access list." default:"false"`
	Choice      format.Choice   `yaml:",inline"`
	SelfTest    bool            `yaml:"self_test" desc:"Read back the first message of each topic on each connection, because a broker acknowledges also what its access list drops." default:"true"`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Version: version3, Choice: format.DefaultChoice(), KeepAlive: strict.Duration(30 * time.Second), Prefix: "weighpost", SelfTest: true}
}

const (
	schemesAllowed = "mqtt://host:port or tcp://host:port (plain), mqtts://host:port or ssl://host:port (TLS)"
	minKeepAlive   = 2 * time.Second
	maxKeepAlive   = time.Hour
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
	if !c.checkBrokers(r) {
		for key, written := range map[string]bool{"ca": c.CA != "", "certificate": c.Certificate != "", "key": c.Key != ""} {
			if written {
				r.At(key).Fault("is given, but the connection has no TLS", "mqtts:// in broker")
			}
		}
	}
	c.checkIdentity(r)
	c.checkVersion(r)
	if c.Records && !c.Requests {
		r.At("requests_record").Fault("is true, and no requests are taken", "requests: true beside it")
	}
	if c.Runs && !c.Requests {
		r.At("requests_runs").Fault("is true, and no requests are taken", "requests: true beside it")
	}
	c.Choice.Check(r, format.OneByOne)
	for key, path := range map[string]string{"ca": c.CA, "certificate": c.Certificate, "key": c.Key} {
		if path != "" && !filepath.IsAbs(path) {
			r.At(key).Fault(show(path)+" is not absolute; the daemon does not run in this folder", "/absolute/path.pem")
		}
	}
	if d := c.KeepAlive.D(); d < minKeepAlive || d > maxKeepAlive {
		r.At("keep_alive").Fault(d.String()+" is out of range", "2s to 1h")
	}
	if why := checkPrefix(c.Prefix); why != "" {
		r.At("topic_prefix").Fault(show(c.Prefix)+" "+why, "levels of a topic with / between them, such as weighpost or lab/weighpost")
	}
}

// checkBroker reads an address. The URL is nil where it has a fault.
func checkBroker(r *strict.Report, address string) (u *url.URL, secure bool) {
	if address == "" {
		r.Fault("the address of the broker is missing", schemesAllowed)
		return nil, false
	}
	u, err := url.Parse(address)
	if err != nil {
		// The error would repeat the text, which may hold a password.
		r.Fault("the address of the broker is no URL", schemesAllowed)
		return nil, false
	}
	if u.User != nil {
		r.Fault("the address holds a user name or a password: use username and password: file:/path", schemesAllowed)
		return nil, false
	}
	_, secure, known := transport(u.Scheme)
	switch {
	case !known:
		r.Fault("the scheme "+show(u.Scheme)+" is not known", schemesAllowed)
	case u.Hostname() == "":
		r.Fault("the address names no host", schemesAllowed)
	case u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "":
		r.Fault("the address has something after the port", schemesAllowed)
	case u.Port() == "0":
		r.Fault("port 0 is no port", schemesAllowed)
	default:
		if _, err := net.LookupPort("tcp", u.Port()); u.Port() != "" && err != nil {
			r.Fault("port "+u.Port()+" does not exist", "1 to 65535")
			return nil, secure
		}
		return u, secure
	}
	return nil, secure
}

// checkIdentity checks what the broker is told about who we are.
func (c *Config) checkIdentity(r *strict.Report) {
	for key, text := range map[string]string{"client_id": c.ClientID, "username": c.Username} {
		if !utf8.ValidString(text) || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			r.At(key).Fault("holds control characters", "printable text")
		}
		if len(text) > 256 {
			r.At(key).Fault(fmt.Sprintf("has %d bytes", len(text)), "at most 256")
		}
	}
	if !c.Password.IsZero() && c.Username == "" && !c.five() {
		r.At("password").Fault("is given without a user name, which MQTT 3.1.1 does not allow", "username beside it")
	}
	if c.Certificate != "" && c.Key == "" {
		r.At("certificate").Fault("is given without its private key", "key beside it")
	}
	if c.Key != "" && c.Certificate == "" {
		r.At("key").Fault("is given without its certificate", "certificate beside it")
	}
}

// Open makes the sink. The id is that of the sink in the configuration.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// transport tells the usual port and whether TLS is used. Both families of scheme names are common for MQTT.
func transport(scheme string) (port string, secure, known bool) {
	switch scheme {
	case "mqtt", "tcp":
		return "1883", false, true
	case "mqtts", "ssl", "tls":
		return "8883", true, true
	}
	return "", false, false
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// endpoint is the address to dial, and the TLS configuration or nil. Files are read anew for each connection, so that a
// renewed certificate needs no restart.
func (c *Config) endpoint(broker string) (address string, t *tls.Config, err error) {
	u, err := url.Parse(broker)
	if err != nil || u.User != nil {
		return "", nil, fmt.Errorf("the address of the broker is no URL that can be used: write %s", schemesAllowed)
	}
	port, secure, known := transport(u.Scheme)
	if !known {
		return "", nil, fmt.Errorf("the scheme %s of the broker's address is not known: write %s", show(u.Scheme), schemesAllowed)
	}
	if u.Port() != "" {
		port = u.Port()
	}
	address = net.JoinHostPort(u.Hostname(), port)
	if !secure {
		return address, nil, nil
	}
	t, err = sinks.ClientTLS(u.Hostname(), c.CA, c.Certificate, c.Key)
	if err != nil {
		return "", nil, err
	}
	return address, t, nil
}

// Far is the broker's host and port; "" where there are several, which are not away together.
func (s *Sink) Far() string { return s.cfg.Far() }

// Far is that of a sink with these settings.
func (c *Config) Far() string {
	if len(c.Brokers) > 1 {
		return ""
	}
	u, err := url.Parse(c.addresses()[0])
	if err != nil || u.Hostname() == "" {
		return ""
	}
	port, _, _ := transport(u.Scheme)
	return net.JoinHostPort(strings.ToLower(u.Hostname()), cmp.Or(u.Port(), port))
}

// faultsOf checks a Config that was not read from a file.
func faultsOf(c *Config) error {
	r := strict.NewReport("mqtt")
	c.Check(r)
	return r.Faults().Err()
}

// show quotes what a person wrote.
func show(s string) string { return fmt.Sprintf("%.60q", s) }
