package http

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"time"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// What one request carries.
const (
	Entry = "entry" // one entry, its exact JSON
	Lines = "lines" // a batch, one entry a line
	Array = "array" // a batch, as a JSON array
)

// Config is one HTTP sink as a person writes it.
type Config struct {
	URL         string          `yaml:"url" desc:"Where entries are sent: https://host/path. {id} in the path stands for the entry's id."`
	Checkpoints string          `yaml:"checkpoints" desc:"Where the journal's signed checkpoints are sent by POST, so that copies are held elsewhere: https://host/path, without {id}. Left out: they are not sent there."`
	Method      string          `yaml:"method" desc:"Method of the request; PUT needs {id} in the URL." enum:"POST,PUT" default:"POST"`
	Body        string          `yaml:"body" desc:"What a request carries: one entry, or a batch as lines of JSON or as a JSON array." enum:"entry,lines,array" default:"entry"`
	Timeout     strict.Duration `yaml:"timeout" desc:"How long one request may take, 100ms to 10m." default:"10s"`
	Insecure    bool            `yaml:"insecure" desc:"Allow http:// to another machine, without encryption." default:"false"`
	Bearer      strict.Secret   `yaml:"bearer" desc:"Where a bearer token is kept: file:/path or env:NAME."`
	User        string          `yaml:"user" desc:"User name for basic authentication."`
	Password    strict.Secret   `yaml:"password" desc:"Where the password for basic authentication is kept: file:/path or env:NAME."`
	CA          string          `yaml:"ca" desc:"PEM file of the authorities that may vouch for the server; those of the system if not given."`
	Certificate string          `yaml:"certificate" desc:"PEM file of the client certificate that is shown to the server."`
	Key         string          `yaml:"key" desc:"PEM file of the private key of the client certificate."`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Method: http.MethodPost, Body: Entry, Timeout: strict.Duration(10 * time.Second)}
}

const (
	urlAllowed    = "https://host/path, or http://localhost/path on this machine"
	idPlaceholder = "{id}"
)

// PrivateKeys names the file with the private key of the client certificate.
func (c *Config) PrivateKeys() map[string]string {
	if c.Key == "" {
		return nil
	}
	return map[string]string{"key": c.Key}
}

// Check adds every fault of the configuration to r. It does not look at files or the network: those may come later.
func (c *Config) Check(r *strict.Report) {
	c.checkURL(r.At("url"), c.URL)
	if c.Checkpoints != "" {
		c.checkURL(r.At("checkpoints"), c.Checkpoints)
		if strings.Contains(c.Checkpoints, idPlaceholder) {
			r.At("checkpoints").Fault("holds {id}, and a checkpoint has none", "an address without {id}, such as https://host/checkpoints")
		}
	}
	if c.Method != http.MethodPost && c.Method != http.MethodPut {
		r.At("method").Fault(fmt.Sprintf("%q is no method for this", c.Method), "POST or PUT")
	}
	named := strings.Contains(c.URL, idPlaceholder)
	switch {
	case c.Body != Entry && c.Body != Lines && c.Body != Array:
		r.At("body").Fault(fmt.Sprintf("%q is no kind of body", c.Body), "entry, lines or array")
	case c.Body != Entry && named:
		r.At("body").Fault("sends several entries, and the URL has room for one {id}", "body: entry, or a URL without {id}")
	case c.Method == http.MethodPut && !named:
		r.At("method").Fault("PUT replaces what is at the URL, which would be the entry before",
			"POST, or a URL with {id}, such as https://host/weighings/{id}")
	}
	if d := c.Timeout.D(); d < 100*time.Millisecond || d > 10*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "100ms to 10m")
	}
	c.checkIdentity(r)
}

func (c *Config) checkURL(r *strict.Report, text string) {
	const mark = "weighpost-id"
	u, err := url.Parse(strings.ReplaceAll(text, idPlaceholder, mark))
	switch {
	case text == "":
		r.Fault("the URL is missing", urlAllowed)
	case err != nil:
		r.Fault("is no URL", urlAllowed) // the error would repeat the text, which may hold a password
	case u.User != nil:
		r.Fault("the URL holds a user name or a password: use user and password: file:/path, or bearer", urlAllowed)
	case u.Scheme != "https" && u.Scheme != "http":
		r.Fault(fmt.Sprintf("the scheme %.20q is not known", u.Scheme), urlAllowed)
	case u.Hostname() == "":
		r.Fault("the URL names no host", urlAllowed)
	case u.Fragment != "" || strings.Contains(text, "#"):
		r.Fault("the part after # is never sent", "the URL without it")
	case strings.Contains(text, idPlaceholder) && !strings.Contains(u.Path, mark), strings.Contains(u.Host+u.RawQuery, mark):
		r.Fault("{id} stands outside of the path", "{id} in the path, such as https://host/weighings/{id}")
	case u.Scheme == "http" && !c.Insecure && !loopback(u.Hostname()):
		r.Fault(fmt.Sprintf("the connection to %s would not be encrypted: anyone on the way could read and change weighings", u.Host),
			"https://, or insecure: true if you accept that")
	}
	if err == nil && u.Scheme == "http" && (c.CA != "" || c.Certificate != "") {
		r.Fault("has no TLS, but ca or certificate is given", "https://")
	}
}

func (c *Config) checkIdentity(r *strict.Report) {
	if !c.Bearer.IsZero() && (c.User != "" || !c.Password.IsZero()) {
		r.At("bearer").Fault("is given beside user and password: a request carries one of them", "bearer, or user and password")
	}
	if (c.User == "") != c.Password.IsZero() {
		r.At("user").Fault("user and password go together", "both, or neither")
	}
	if strings.Contains(c.User, ":") {
		r.At("user").Fault("holds a colon, which ends a user name in basic authentication (RFC 7617 section 2)", "a name without a colon")
	}
	if (c.Certificate == "") != (c.Key == "") {
		r.At("certificate").Fault("certificate and key go together", "both, or neither")
	}
	for key, path := range map[string]string{"ca": c.CA, "certificate": c.Certificate, "key": c.Key} {
		if path != "" && !filepath.IsAbs(path) {
			r.At(key).Fault(fmt.Sprintf("%q is not absolute; the daemon does not run in this folder", path), "/absolute/path.pem")
		}
	}
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// Destination is the URL. What follows a ? may hold a secret and may name another store: of it a digest is shown.
func (c *Config) Destination() string {
	u, err := url.Parse(c.URL)
	if err != nil {
		return "http, at an address that is no URL"
	}
	where := "http " + strings.ToLower(u.Scheme) + "://" + strings.ToLower(u.Host) + u.EscapedPath()
	if u.RawQuery == "" {
		return where
	}
	sum := sha256.Sum256([]byte(u.RawQuery))
	return where + "?… (" + hex.EncodeToString(sum[:4]) + ")"
}

// Publishes says whether the sink takes checkpoints.
func (c *Config) Publishes() bool { return c.Checkpoints != "" }

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) {
	s, err := New(*c, id, env)
	if err != nil || c.Checkpoints == "" {
		return s, err
	}
	return publisher{s}, nil
}
