package nats

import (
	"fmt"
	"maps"
	"net"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// Connection is how the servers of one cluster are reached, as a person writes it.
type Connection struct {
	Servers     []string      `yaml:"servers" desc:"Addresses of one cluster: nats://host:4222 without encryption, tls://host:4222 with TLS. One that answers is used."`
	Insecure    bool          `yaml:"insecure" desc:"Allow a connection without encryption to another machine." default:"false"`
	Username    string        `yaml:"username" desc:"User name for the servers."`
	Password    strict.Secret `yaml:"password" desc:"Where the password is kept: file:/path or env:NAME."`
	NKey        strict.Secret `yaml:"nkey" desc:"Where the seed of an NKey is kept, which begins with SU: file:/path or env:NAME."`
	Credentials strict.Secret `yaml:"credentials" desc:"Where a credentials file (a token and its NKey) is kept: file:/path or env:NAME."`
	CA          string        `yaml:"ca" desc:"PEM file of the authorities that may vouch for the servers; those of the system if not given."`
	Certificate string        `yaml:"certificate" desc:"PEM file of the client certificate that is shown to the servers."`
	Key         string        `yaml:"key" desc:"PEM file of the private key of the client certificate."`
}

// PrivateKeys names the file with the private key of the client certificate.
func (c *Connection) PrivateKeys() map[string]string {
	if c.Key == "" {
		return nil
	}
	return map[string]string{"key": c.Key}
}

// Check adds every fault of the connection to r.
func (c *Connection) Check(r *strict.Report) {
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

func (c *Connection) checkFiles(r *strict.Report, plain bool) {
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

func (c *Connection) checkIdentity(r *strict.Report) {
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

// Options are those of the library that say how to speak to the servers, and who asks. Files and secrets are read anew each time.
func (c *Connection) Options() (o []nats.Option, err error) {
	if strings.HasPrefix(c.Servers[0], "tls:") {
		t, err := sinks.ClientTLS("", c.CA, c.Certificate, c.Key)
		if err != nil {
			return nil, err
		}
		o = append(o, nats.Secure(t))
	}
	who, err := c.identity()
	if err != nil || who == nil {
		return o, err
	}
	return append(o, who), nil
}

// identity is how weighpost shows who it is, or nil.
func (c *Connection) identity() (nats.Option, error) {
	switch {
	case c.Username != "":
		password, err := c.Password.Resolve()
		if err != nil {
			return nil, err
		}
		return nats.UserInfo(c.Username, string(password)), nil
	case !c.NKey.IsZero():
		seed, err := c.NKey.Resolve()
		if err != nil {
			return nil, err
		}
		pair, err := nkeys.FromSeed([]byte(strings.TrimSpace(string(seed))))
		if err != nil {
			return nil, fmt.Errorf("%s holds no seed of an NKey", c.NKey)
		}
		public, err := pair.PublicKey()
		if err != nil || !nkeys.IsValidPublicUserKey(public) {
			return nil, fmt.Errorf("%s holds an NKey that is not of a user: its seed begins with SU", c.NKey)
		}
		return nats.Nkey(public, pair.Sign), nil
	case !c.Credentials.IsZero():
		text, err := c.Credentials.Resolve()
		if err != nil {
			return nil, err
		}
		if _, err := nkeys.ParseDecoratedJWT(text); err != nil {
			return nil, fmt.Errorf("%s holds no token of a user", c.Credentials)
		}
		if _, err := nkeys.ParseDecoratedNKey(text); err != nil {
			return nil, fmt.Errorf("%s holds no seed of an NKey", c.Credentials)
		}
		return nats.UserCredentialBytes(text), nil
	}
	return nil, nil
}
