package smb

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

// Config is one SMB sink as a person writes it.
type Config struct {
	Server        string          `yaml:"server" desc:"The file server: a host, or host:port. Port 445 if not given."`
	Share         string          `yaml:"share" desc:"Name of the share on the server, without slashes."`
	Path          string          `yaml:"path" desc:"Folder within the share that the files go to, such as lab/weighings; the share itself if not given. It is not created."`
	User          string          `yaml:"user" desc:"User on the server."`
	Password      strict.Secret   `yaml:"password" desc:"Where the user's password is kept: file:/path or env:NAME."`
	Domain        string          `yaml:"domain" desc:"Domain of the user, where the server belongs to one."`
	Encrypt       bool            `yaml:"encrypt" desc:"Refuse a share that does not ask for encryption (SMB 3). With false everything is signed, so that nobody can change it on the way, but can be read there." default:"true"`
	Guest         bool            `yaml:"guest" desc:"Sign in as a guest, without user and password: then nothing can be signed or encrypted." default:"false"`
	Insecure      bool            `yaml:"insecure" desc:"Allow a guest's connection to another machine, which anyone on the way can read and change." default:"false"`
	Timeout       strict.Duration `yaml:"timeout" desc:"How long the server may take for one answer, 100ms to 10m." default:"15s"`
	Name          string          `yaml:"name" desc:"Name of each file within the folder, with fields of the entry in braces and {id} among them, such as {balance}/{day}/{id}.json, or with {batch} for closed files. Made by format if not given."`
	Manifest      bool            `yaml:"manifest" desc:"Write a file NAME.sha256 beside each file, which sha256sum -c reads." default:"false"`
	format.Choice `yaml:",inline"`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Encrypt: true, Timeout: strict.Duration(15 * time.Second), Choice: format.DefaultChoice()}
}

// defaultPort is that of SMB over TCP (MS-SMB2 section 2.1).
const defaultPort = "445"

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
	address, err := c.address()
	switch {
	case c.Server == "":
		r.At("server").Fault("the server is missing", "a host, such as files.example, or host:port")
	case err != nil:
		r.At("server").Fault(err.Error(), "a host, such as files.example, or host:port")
	}
	switch {
	case c.Share == "":
		r.At("share").Fault("the share is missing", "its name on the server, such as weighings")
	case len(c.Share) > 80 || strings.ContainsAny(c.Share, "\\/:*?\"<>|\x00") || strings.TrimSpace(c.Share) != c.Share:
		r.At("share").Fault(fmt.Sprintf("%.100q is no name of a share", c.Share), "its name on the server alone, such as weighings; what is below it is path")
	}
	if why := c.folderFault(); why != "" {
		r.At("path").Fault(why, "names with slashes between them, such as lab/weighings")
	}
	c.checkIdentity(r, address)
	if d := c.Timeout.D(); d < 100*time.Millisecond || d > 10*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "100ms to 10m")
	}
	folder.Check(r, &c.Choice, c.Name)
}

// folderFault says why the folder cannot be one, or "".
func (c *Config) folderFault() string {
	if c.Path == "" {
		return ""
	}
	for element := range strings.SplitSeq(c.Path, "/") {
		switch {
		case element == "":
			return "has an empty part before, after or between slashes"
		case strings.HasSuffix(element, ".") || strings.HasSuffix(element, " "):
			return fmt.Sprintf("has the part %.80q, which leads elsewhere or which Windows shortens", element)
		case len(element) > 255 || strings.ContainsAny(element, "\\:*?\"<>|\x00"):
			return fmt.Sprintf("has the part %.80q, which is no name of a folder", element)
		}
	}
	return ""
}

func (c *Config) checkIdentity(r *strict.Report, address string) {
	if !c.Guest {
		if c.User == "" || c.Password.IsZero() {
			r.At("user").Fault("user and password are missing, and a guest is not let in unless that is said", "user and password, or guest: true and encrypt: false")
		}
		if c.Insecure {
			r.At("insecure").Fault("is for guests: what a user sends is always signed", "leave the key out")
		}
		return
	}
	host, _, _ := net.SplitHostPort(address)
	switch {
	case c.User != "" || !c.Password.IsZero() || c.Domain != "":
		r.At("guest").Fault("a guest has no user, password or domain", "user and password, or guest: true alone")
	case c.Encrypt:
		r.At("encrypt").Fault("a guest's connection cannot be encrypted", "user and password, or encrypt: false")
	case !c.Insecure && address != "" && !loopback(host):
		r.At("guest").Fault("a guest's connection to "+address+" is neither signed nor encrypted: anyone on the way could read and change weighings",
			"user and password, or insecure: true if you accept that")
	}
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Carries says which kinds of entry the format can hold.
func (c *Config) Carries(k record.Kind) bool { return folder.Carries(&c.Choice, k) }

// Collects says whether the sink takes closed batches.
func (c *Config) Collects() (bool, string) { return folder.Collects(&c.Choice, c.Name) }

// Destination is the folder on the share. Servers take names of shares and folders alike whatever their case.
func (c *Config) Destination() string {
	address, err := c.address()
	if err != nil {
		return "smb, at an address that is none"
	}
	return "smb " + strings.TrimSuffix("//"+address+"/"+strings.ToLower(c.Share)+"/"+strings.ToLower(c.Path), "/")
}

// where is the folder in sentences.
func (c *Config) where() string {
	return `the share \\` + c.Server + `\` + strings.ReplaceAll(path.Join(c.Share, c.Path), "/", `\`)
}

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
	return f.Preview(strings.TrimSuffix("//"+c.Server+"/"+c.Share+"/"+c.Path, "/"), e, closed)
}

func (c *Config) filing(id string, env sinks.Env) (folder.Filing, error) {
	f, err := folder.NewFiling(c.Choice, c.Name, folder.EntryName, c.Manifest, id, env)
	f.Where, f.Explain = c.where(), c.explain
	return f, err
}
