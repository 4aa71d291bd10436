package postgres

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// Connection is how a database is reached, as a person writes it.
type Connection struct {
	Server      string          `yaml:"server" desc:"Where the server is: host, host:5432, or the folder of its socket on this machine, such as /run/postgresql."`
	Database    string          `yaml:"database" desc:"Name of the database."`
	User        string          `yaml:"user" desc:"Name of the role that delivers. It needs to read the table and to insert into it, and nothing else."`
	Password    strict.Secret   `yaml:"password" desc:"Where the password is kept: file:/path or env:NAME."`
	SSLMode     string          `yaml:"sslmode" desc:"verify-full: TLS, and the server's certificate is of its name; disable: no encryption. Left out: verify-full to another machine, and disable on this one." enum:"verify-full,disable"`
	Insecure    bool            `yaml:"insecure" desc:"Allow a connection without encryption to another machine." default:"false"`
	Timeout     strict.Duration `yaml:"timeout" desc:"How long connecting and each statement may take, 100ms to 10m." default:"10s"`
	CA          string          `yaml:"ca" desc:"PEM file of the authorities that may vouch for the server; those of the system if not given."`
	Certificate string          `yaml:"certificate" desc:"PEM file of the client certificate that is shown to the server."`
	Key         string          `yaml:"key" desc:"PEM file of the private key of the client certificate."`
}

// DefaultConnection is a Connection with what applies where the file says nothing.
func DefaultConnection() Connection { return Connection{Timeout: strict.Duration(10 * time.Second)} }

const (
	sslFull        = "verify-full"
	sslOff         = "disable"
	serversAllowed = "host, host:5432, or the folder of a socket such as /run/postgresql"
)

// PrivateKeys names the file with the private key of the client certificate.
func (c *Connection) PrivateKeys() map[string]string {
	if c.Key == "" {
		return nil
	}
	return map[string]string{"key": c.Key}
}

// Check adds every fault of the connection to r.
func (c *Connection) Check(r *strict.Report) {
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

func (c *Connection) checkFiles(r *strict.Report, plain bool) {
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
func (c *Connection) address() (host string, port uint16, err error) {
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
func (c *Connection) encrypted() bool {
	host, _, err := c.address()
	return c.SSLMode == sslFull || c.SSLMode == "" && err == nil && !local(host)
}

func local(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || strings.HasPrefix(host, "/") || ip != nil && ip.IsLoopback()
}

// Options are those of the library, for sockets that dial makes. Nothing of the environment or the home folder holds. Files and secrets are read anew each time.
func (c *Connection) Options(dial pgconn.DialFunc) (*pgx.ConnConfig, error) {
	o, err := pgx.ParseConfig("host=localhost user=weighpost database=weighpost password=none sslmode=disable target_session_attrs=any connect_timeout=10")
	if err != nil {
		return nil, errors.New("environment variables whose names begin with PG stand in the way: weighpost needs none of them")
	}
	o.Host, o.Port, err = c.address()
	if err != nil {
		return nil, err
	}
	o.Database, o.User, o.Password, o.Fallbacks = c.Database, c.User, "", nil
	o.RuntimeParams = map[string]string{"application_name": "weighpost", "client_encoding": "UTF8"}
	o.KerberosSrvName, o.KerberosSpn, o.RequireAuth, o.SSLNegotiation = "", "", "", ""
	o.ConnectTimeout, o.DialFunc = c.Timeout.D(), dial
	if !c.Password.IsZero() {
		password, err := c.Password.Resolve()
		if err != nil {
			return nil, err
		}
		o.Password = string(password)
	}
	if c.encrypted() {
		if o.TLSConfig, err = sinks.ClientTLS(o.Host, c.CA, c.Certificate, c.Key); err != nil {
			return nil, err
		}
	}
	return o, nil
}

// Durable has each commit of a session wait until it is on the server's disk, whatever the server or the role has set, and makes sure of it.
func (c *Connection) Durable(ctx context.Context, conn *pgx.Conn) error {
	var recovering bool
	var readOnly, fsync, synchronous string
	err := conn.QueryRow(ctx, `SELECT pg_is_in_recovery(), current_setting('transaction_read_only'), current_setting('fsync'),
		set_config('synchronous_commit', CASE current_setting('synchronous_commit') WHEN 'remote_apply' THEN 'remote_apply' ELSE 'on' END, false),
		set_config('statement_timeout', $1, false)`, fmt.Sprint(c.Timeout.D().Milliseconds())).Scan(&recovering, &readOnly, &fsync, &synchronous, nil)
	switch {
	case err != nil:
		return err
	case fsync != "on":
		return sinks.Unusable{Err: errors.New("the server runs with fsync = off: what it says it has is lost when its power fails. Have its keeper set fsync = on")}
	case synchronous != "on" && synchronous != "remote_apply":
		return sinks.Unusable{Err: fmt.Errorf("the server keeps synchronous_commit at %s and acknowledges before it has written", synchronous)}
	case recovering:
		return errors.New("the server is a standby, or recovers, and takes nothing now")
	case readOnly != "off":
		return errors.New("the server, or this role, is read-only at the moment (default_transaction_read_only)")
	}
	return nil
}
