package postgres

import (
	"fmt"
	"maps"
	"net"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// Config is one PostgreSQL sink as a person writes it.
type Config struct {
	Server      string          `yaml:"server" desc:"Where the server is: host, host:5432, or the folder of its socket on this machine, such as /run/postgresql."`
	Database    string          `yaml:"database" desc:"Name of the database."`
	User        string          `yaml:"user" desc:"Name of the role that delivers. It needs to read the table and to insert into it, and nothing else."`
	Password    strict.Secret   `yaml:"password" desc:"Where the password is kept: file:/path or env:NAME."`
	Table       string          `yaml:"table" desc:"Name of the table, with that of its schema in front if wanted; lower-case letters, digits and underscores." default:"weighpost_entries"`
	Create      bool            `yaml:"create" desc:"Make the table if there is none. One that is there is never changed." default:"false"`
	SSLMode     string          `yaml:"sslmode" desc:"verify-full: TLS, and the server's certificate is of its name; disable: no encryption. Left out: verify-full to another machine, and disable on this one." enum:"verify-full,disable"`
	Insecure    bool            `yaml:"insecure" desc:"Allow a connection without encryption to another machine." default:"false"`
	Timeout     strict.Duration `yaml:"timeout" desc:"How long connecting and each statement may take, 100ms to 10m." default:"10s"`
	CA          string          `yaml:"ca" desc:"PEM file of the authorities that may vouch for the server; those of the system if not given."`
	Certificate string          `yaml:"certificate" desc:"PEM file of the client certificate that is shown to the server."`
	Key         string          `yaml:"key" desc:"PEM file of the private key of the client certificate."`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Table: "weighpost_entries", Timeout: strict.Duration(10 * time.Second)}
}

const (
	sslFull        = "verify-full"
	sslOff         = "disable"
	serversAllowed = "host, host:5432, or the folder of a socket such as /run/postgresql"
)

// PrivateKeys names the file with the private key of the client certificate.
func (c *Config) PrivateKeys() map[string]string {
	if c.Key == "" {
		return nil
	}
	return map[string]string{"key": c.Key}
}

// tableName is what a table may be called: names that need no quotes, so that nobody who writes SQL needs any.
var tableName = regexp.MustCompile(`^([a-z_][a-z0-9_]{0,50}\.)?[a-z_][a-z0-9_]{0,50}$`)

// Check adds every fault of the configuration to r.
func (c *Config) Check(r *strict.Report) {
	host, _, err := c.address()
	if err != nil {
		r.At("server").Fault(err.Error(), serversAllowed)
	}
	for _, named := range [][3]string{{"database", "database", c.Database}, {"user", "role", c.User}} {
		key, text := named[0], named[2]
		switch {
		case text == "":
			r.At(key).Fault("the name of the "+named[1]+" is missing", "a name, such as weighpost")
		case len(text) > 63 || !utf8.ValidString(text) || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }):
			r.At(key).Fault(show(text)+" is no name", "at most 63 bytes of printable text")
		}
	}
	if !tableName.MatchString(c.Table) {
		r.At("table").Fault(show(c.Table)+" is no name for a table", "such as weighpost_entries or lab.weighings, in lower case")
	}
	if c.SSLMode != "" && c.SSLMode != sslFull && c.SSLMode != sslOff {
		r.At("sslmode").Fault(show(c.SSLMode)+" is not known", "verify-full or disable")
	}
	if err == nil && !c.encrypted() && !local(host) && !c.Insecure {
		r.At("sslmode").Fault("the connection to "+show(host)+" would not be encrypted: anyone on the way could read and change weighings",
			"verify-full, a server on this machine, or insecure: true if you accept that")
	}
	if strings.HasPrefix(host, "/") && c.SSLMode == sslFull {
		r.At("sslmode").Fault("a socket on this machine has no TLS", "disable, or nothing")
	}
	if d := c.Timeout.D(); d < 100*time.Millisecond || d > 10*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "100ms to 10m")
	}
	c.checkFiles(r, err == nil && !c.encrypted())
}

func (c *Config) checkFiles(r *strict.Report, plain bool) {
	files := map[string]string{"ca": c.CA, "certificate": c.Certificate, "key": c.Key}
	for _, key := range slices.Sorted(maps.Keys(files)) {
		switch path := files[key]; {
		case path == "":
		case plain:
			r.At(key).Fault("is given, but the connection has no TLS", "sslmode: verify-full")
		case !filepath.IsAbs(path):
			r.At(key).Fault(show(path)+" is not absolute; the daemon does not run in this folder", "/absolute/path.pem")
		}
	}
	if (c.Certificate == "") != (c.Key == "") {
		r.At("certificate").Fault("certificate and key go together", "both, or neither")
	}
}

// address splits Server. The host of a socket is its folder.
func (c *Config) address() (host string, port uint16, err error) {
	const usual = 5432
	switch {
	case c.Server == "":
		return "", 0, fmt.Errorf("the server is missing")
	case strings.Contains(c.Server, "://"), strings.ContainsAny(c.Server, "@ ,=\t\r\n"):
		return "", 0, fmt.Errorf("is no host and no folder; user, password and database have keys of their own") // not shown: it may hold a password
	case strings.HasPrefix(c.Server, "/"):
		return filepath.Clean(c.Server), usual, nil
	}
	host, text, err := net.SplitHostPort(c.Server)
	if err != nil { // no port
		host, text = strings.Trim(c.Server, "[]"), strconv.Itoa(usual)
	}
	n, err := strconv.ParseUint(text, 10, 16)
	if err != nil || n == 0 {
		return "", 0, fmt.Errorf("port %.20q does not exist", text)
	}
	if host == "" {
		return "", 0, fmt.Errorf("names no host")
	}
	return strings.ToLower(host), uint16(n), nil
}

// encrypted says whether the connection has TLS.
func (c *Config) encrypted() bool {
	host, _, err := c.address()
	return c.SSLMode == sslFull || c.SSLMode == "" && err == nil && !local(host)
}

func local(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || strings.HasPrefix(host, "/") || ip != nil && ip.IsLoopback()
}

// Destination is the server, the database and the table.
func (c *Config) Destination() string {
	host, port, err := c.address()
	if err != nil {
		return "postgres, at no address"
	}
	return "postgres " + net.JoinHostPort(host, strconv.Itoa(int(port))) + " " + c.Database + " " + c.Table
}

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// show quotes what a person wrote.
func show(s string) string { return fmt.Sprintf("%.60q", s) }
