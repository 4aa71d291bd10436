package authority

import (
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"weighpost/gateway/timestamp"
	"weighpost/parsers/strict"
)

// Config is how an outside authority is asked for time-stamps, as a person writes it. Without a URL none is asked.
type Config struct {
	URL      string          `yaml:"url" desc:"Where time-stamps are asked for (RFC 3161 over HTTP): http://host/path or https://host/path. Left out: nobody is asked."`
	CAFile   string          `yaml:"ca_file" desc:"PEM file of the authorities that may vouch for a time-stamp. A relative path starts at the folder of this file."`
	Every    strict.Duration `yaml:"every" desc:"How often the journal's head is time-stamped while it moves, 1m to 31 days (744h)." default:"24h"`
	Policy   string          `yaml:"policy" desc:"Object identifier of the policy that is asked for, 1.2.3.4. Left out: the authority chooses."`
	User     string          `yaml:"user" desc:"User name for basic authentication at the authority."`
	Password strict.Secret   `yaml:"password" desc:"Where the password for basic authentication is kept: file:/path or env:NAME."`
}

const (
	defaultEvery = 24 * time.Hour
	leastEvery   = time.Minute
	mostEvery    = 31 * 24 * time.Hour

	urlAllowed = "http://host/path or https://host/path"
)

// Asks says whether an authority is configured.
func (c Config) Asks() bool { return c.URL != "" }

// Period is how often a time-stamp is asked for.
func (c Config) Period() time.Duration {
	if c.Every == 0 {
		return defaultEvery
	}
	return c.Every.D()
}

// Check adds every fault of the configuration to r. It does not look at files or the network.
func (c *Config) Check(r *strict.Report) {
	if c.URL == "" {
		for key, given := range map[string]bool{"ca_file": c.CAFile != "", "policy": c.Policy != "", "user": c.User != "",
			"password": !c.Password.IsZero()} {
			if given {
				r.At(key).Fault("is given, and no authority is asked without a url", "url: "+urlAllowed)
			}
		}
	} else {
		c.checkURL(r.At("url"))
		if c.CAFile == "" {
			r.At("ca_file").Fault("is missing: without it nobody can tell whether a time-stamp is the authority's", "the path of a PEM file")
		}
	}
	if at := r.At("every"); (c.Every != 0 || at.Written()) && (c.Every.D() < leastEvery || c.Every.D() > mostEvery) {
		at.Fault(c.Every.String()+" is out of range", "1m to 744h")
	}
	if c.Policy != "" {
		if _, err := timestamp.ParsePolicy(c.Policy); err != nil {
			r.At("policy").Fault(err.Error(), "numbers with dots between, such as 1.2.3.4")
		}
	}
	if (c.User == "") != c.Password.IsZero() {
		r.At("user").Fault("user and password go together", "both, or neither")
	}
	if strings.Contains(c.User, ":") {
		r.At("user").Fault("holds a colon, which ends a user name in basic authentication (RFC 7617 section 2)", "a name without a colon")
	}
}

// checkURL allows http: a token is signed, and a request says nothing but a hash. A password needs more.
func (c *Config) checkURL(r *strict.Report) {
	u, err := url.Parse(c.URL)
	switch {
	case err != nil:
		r.Fault("is no URL", urlAllowed) // the error would repeat the text, which may hold a password
	case u.User != nil:
		r.Fault("the URL holds a user name or a password: use user and password: file:/path", urlAllowed)
	case u.Scheme != "https" && u.Scheme != "http":
		r.Fault(fmt.Sprintf("the scheme %.20q is not known", u.Scheme), urlAllowed)
	case u.Hostname() == "":
		r.Fault("the URL names no host", urlAllowed)
	case strings.Contains(c.URL, "#"):
		r.Fault("the part after # is never sent", "the URL without it")
	case u.Scheme == "http" && c.User != "" && !loopback(u.Hostname()):
		r.Fault(fmt.Sprintf("the password would go to %s without encryption", u.Host), "https://")
	}
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
