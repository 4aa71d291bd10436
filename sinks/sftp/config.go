package sftp

import (
	"fmt"
	"net"
	"path"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/folder"
	"weighpost/sinks/format"
)

// Config is one SFTP sink as a person writes it.
type Config struct {
	Server        string          `yaml:"server" desc:"The server: a host, or host:port. Port 22 if not given."`
	Path          string          `yaml:"path" desc:"Folder on the server that the files go to: absolute, or within the user's home. It is not created."`
	User          string          `yaml:"user" desc:"User on the server."`
	Password      strict.Secret   `yaml:"password" desc:"Where the user's password is kept: file:/path or env:NAME."`
	PrivateKey    strict.Secret   `yaml:"private_key" desc:"Where the user's private key is kept (OpenSSH or PEM): file:/path or env:NAME."`
	Passphrase    strict.Secret   `yaml:"passphrase" desc:"Where the passphrase of the private key is kept, if it has one: file:/path or env:NAME."`
	HostKeys      []string        `yaml:"host_keys" desc:"Keys that the server may show, each as SHA256:… (what ssh-keygen -l prints) or as a line of the key's type and the key. Any other is refused."`
	Timeout       strict.Duration `yaml:"timeout" desc:"How long the server may take for one answer, 100ms to 10m." default:"15s"`
	Name          string          `yaml:"name" desc:"Name of each file within the folder, with fields of the entry in braces and {id} among them, such as {balance}/{day}/{id}.json, or with {batch} for closed files. Made by format if not given."`
	Manifest      bool            `yaml:"manifest" desc:"Write a file NAME.sha256 beside each file, which sha256sum -c reads." default:"false"`
	format.Choice `yaml:",inline"`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Timeout: strict.Duration(15 * time.Second), Choice: format.DefaultChoice()}
}

// defaultPort is that of SSH (RFC 4253 section 4.1).
const defaultPort = "22"

// address is host:port of the server.
func (c *Config) address() (string, error) {
	host, port, err := net.SplitHostPort(c.Server)
	if err != nil {
		host, port = strings.Trim(c.Server, "[]"), defaultPort
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
		return "", fmt.Errorf("%.20q is no port", port)
	}
	if host == "" || strings.ContainsAny(host, "/\\@ \t\r\n") || strings.Contains(host, ":") && net.ParseIP(host) == nil {
		return "", fmt.Errorf("%.80q is no host", host)
	}
	return net.JoinHostPort(strings.ToLower(host), port), nil
}

// Check adds every fault of the configuration to r. It does not ask the server: that may come later.
func (c *Config) Check(r *strict.Report) {
	_, err := c.address()
	switch {
	case c.Server == "":
		r.At("server").Fault("the server is missing", "a host, such as files.example, or host:port")
	case err != nil:
		r.At("server").Fault(err.Error(), "a host, such as files.example, or host:port")
	}
	if c.Path == "" || strings.ContainsRune(c.Path, 0) || len(c.Path) > 4096 {
		r.At("path").Fault("the folder is missing or none", "a path on the server, such as /srv/weighings, or one within the user's home")
	}
	if c.User == "" {
		r.At("user").Fault("the user is missing", "the user on the server")
	}
	if c.Password.IsZero() && c.PrivateKey.IsZero() {
		r.At("private_key").Fault("neither private_key nor password is given", "private_key, password, or both")
	}
	if c.PrivateKey.IsZero() && !c.Passphrase.IsZero() {
		r.At("passphrase").Fault("is for a private key, and none is given", "private_key as well, or leave it out")
	}
	c.checkHostKeys(r.At("host_keys"))
	if d := c.Timeout.D(); d < 100*time.Millisecond || d > 10*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "100ms to 10m")
	}
	folder.Check(r, &c.Choice, c.Name)
}

func (c *Config) checkHostKeys(r *strict.Report) {
	const allowed = "SHA256: and 43 characters, or a line such as ssh-ed25519 AAAA…, both as the one who looks after the server tells them"
	if len(c.HostKeys) == 0 {
		r.Fault("no key of the server is given: whoever is on the way could take its place", allowed)
	}
	for i, text := range c.HostKeys {
		if _, err := readPin(text); err != nil {
			r.Index(i).Fault(err.Error(), allowed)
		}
	}
}

// Carries says which kinds of entry the format can hold.
func (c *Config) Carries(k record.Kind) bool { return folder.Carries(&c.Choice, k) }

// Collects says whether the sink takes closed batches.
func (c *Config) Collects() (bool, string) { return folder.Collects(&c.Choice, c.Name) }

// Destination is the folder on the server. One within a home is another for each user.
func (c *Config) Destination() string {
	address, err := c.address()
	if err != nil {
		return "sftp, at an address that is none"
	}
	where := path.Clean(c.Path)
	if !path.IsAbs(where) {
		where = "/~" + c.User + "/" + where
	}
	return "sftp " + address + where
}

// where is the folder in sentences.
func (c *Config) where() string { return "the folder " + c.Path + " on " + c.Server }

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// Witness makes what tells what the folder holds. It writes nothing.
func (c *Config) Witness(id string, env sinks.Env) (sinks.Witness, error) { return New(*c, id, env) }

// Preview gives the file of an entry.
func (c *Config) Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	return c.preview(id, env, e, false)
}

// PreviewClosed gives the file of a closed batch, with this entry alone in it.
func (c *Config) PreviewClosed(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	return c.preview(id, env, e, true)
}

func (c *Config) preview(id string, env sinks.Env, e record.Entry, closed bool) (sinks.Shown, error) {
	f, err := c.filing(id, env)
	if err != nil {
		return sinks.Shown{}, err
	}
	return f.Preview(c.Path, e, closed)
}

func (c *Config) filing(id string, env sinks.Env) (folder.Filing, error) {
	f, err := folder.NewFiling(c.Choice, c.Name, folder.EntryName, c.Manifest, id, env)
	f.Where = c.where()
	return f, err
}
