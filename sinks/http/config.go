package http

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// What one request carries.
const (
	Entry = "entry" // one entry, in the format of the sink
	Batch = "batch" // a batch, in the format of the sink
	Lines = "lines" // a batch, one entry a line
	Array = "array" // a batch, as a JSON array
)

// Config is one HTTP sink as a person writes it.
type Config struct {
	format.Choice `yaml:",inline"`
	URL           string            `yaml:"url" desc:"Where entries are sent: https://host/path. {id} in the path stands for the entry's id."`
	Checkpoints   string            `yaml:"checkpoints" desc:"Where the journal's signed checkpoints are sent by POST, so that copies are held elsewhere: https://host/path, without {id}. Left out: they are not sent there."`
	Method        string            `yaml:"method" desc:"Method of the request; PUT needs {id} in the URL." enum:"POST,PUT" default:"POST"`
	Body          string            `yaml:"body" desc:"What a request carries: one entry or a batch, as format says; or a batch as lines of JSON or as a JSON array." enum:"entry,batch,lines,array" default:"entry"`
	Timeout       strict.Duration   `yaml:"timeout" desc:"How long one request may take, 100ms to 10m." default:"10s"`
	Statuses      map[string]string `yaml:"statuses" desc:"What an answer means where that is other than usual, by its status: accepted (the server has it), again (try again), refused (set the entry aside), stop (the destination needs a person)." enum:"accepted,again,refused,stop"`
	AnswerID      AnswerID          `yaml:"answer_id" desc:"Where in the answer the server says what it calls the entry, such as the number of a lab system; it is kept in the journal. Left out: nothing is kept."`
	Insecure      bool              `yaml:"insecure" desc:"Allow http:// to another machine, or the password of a proxy, without encryption." default:"false"`
	Sign          strict.Secret     `yaml:"sign" desc:"Where the secrets are kept with which requests are signed (HMAC-SHA256, Standard Webhooks): file:/path or env:NAME. One a line, whsec_ and base64 of 24 to 64 bytes; while there are several, each signs."`
	Bearer        strict.Secret     `yaml:"bearer" desc:"Where a bearer token is kept: file:/path or env:NAME."`
	User          string            `yaml:"user" desc:"User name for basic authentication."`
	Password      strict.Secret     `yaml:"password" desc:"Where the password for basic authentication is kept: file:/path or env:NAME."`
	OAuth         OAuth             `yaml:"oauth" desc:"An authorization server that gives tokens for this destination (OAuth 2, client credentials). Left out: none is asked."`
	CA            string            `yaml:"ca" desc:"PEM file of the authorities that may vouch for the server; those of the system if not given."`
	Certificate   string            `yaml:"certificate" desc:"PEM file of the client certificate that is shown to the server."`
	Key           string            `yaml:"key" desc:"PEM file of the private key of the client certificate."`
	Proxy         string            `yaml:"proxy" desc:"The proxy on the way: environment (HTTPS_PROXY and its like), none, or http://, https:// or socks5:// with host and port." default:"environment"`
	ProxyUser     string            `yaml:"proxy_user" desc:"User name at the proxy."`
	ProxyPassword strict.Secret     `yaml:"proxy_password" desc:"Where the password for the proxy is kept: file:/path or env:NAME."`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Choice: format.DefaultChoice(), Method: http.MethodPost, Body: Entry, Timeout: strict.Duration(10 * time.Second), Proxy: fromEnvironment}
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
	case c.Body != Entry && c.Body != Batch && c.Body != Lines && c.Body != Array:
		r.At("body").Fault(fmt.Sprintf("%q is no kind of body", c.Body), "entry, batch, lines or array")
	case c.Body != Entry && named:
		r.At("body").Fault("sends several entries, and the URL has room for one {id}", "body: entry, or a URL without {id}")
	case c.Method == http.MethodPut && !named:
		r.At("method").Fault("PUT replaces what is at the URL, which would be the entry before",
			"POST, or a URL with {id}, such as https://host/weighings/{id}")
	}
	if d := c.Timeout.D(); d < 100*time.Millisecond || d > 10*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "100ms to 10m")
	}
	c.checkFormat(r)
	c.checkStatuses(r.At("statuses"))
	c.AnswerID.check(r.At("answer_id"))
	c.checkIdentity(r)
	c.OAuth.check(r.At("oauth"))
	c.checkProxy(r)
}

// checkFormat holds format and body against each other.
func (c *Config) checkFormat(r *strict.Report) {
	use := format.OneByOne
	if c.Body == Batch {
		use = format.Together
	}
	c.Choice.Check(r, use)
	if (c.Body == Lines || c.Body == Array) && c.Format != format.NameJSON {
		r.At("body").Fault(fmt.Sprintf("%s is JSON of its own, beside format: %s", c.Body, c.Format), "body: batch or entry, or format: json")
	}
}

// Carries says whether the sink can hold a kind of entry as it is set.
func (c *Config) Carries(k record.Kind) bool { return c.Choice.Carries(k) }

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
