// Package central is for settings that many gateways pull from one place: the form of the one signed file, and how it is fetched.
// It knows no configuration and changes nothing; what a file sets, and whether it is taken, is for the wiring.
//
// A file is a head of plain lines, signed as a note (C2SP signed-note, Ed25519), then the contents that the head names by their length
// and SHA-256:
//
//	weighpost central settings 1
//	for north-lab seed-bank
//	serial 12
//	made 2026-11-30T17:00:00Z
//	until 2027-03-01T00:00:00Z
//	bytes 1234
//	sha256 6b86b273ff34fce19d6b804eff5a3f5747ada4eaa22f1d49c01e52ddb7875b4b
//
//	— seed-bank-it 1cNYhfJr…
//
//	file weighpost.yaml 1200
//	settings: …
//
// There is one way to write a head: one that is written otherwise is refused. Whoever signs says for whom (for * is everybody), which
// serial number, and until when it may be taken. What is in a file is read only once a signature of a trusted key was found right.
package central

import (
	"encoding/base64"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"

	"weighpost/parsers/strict"
)

// Config says where settings are pulled from, and whose signature counts. Without From none are.
type Config struct {
	From   string          `yaml:"from" desc:"Where the signed file is: https://host/path, or the path of a file, as on a share that is mounted here. http:// only to this computer. A relative path starts at the folder of this file. Left out: nothing is pulled."`
	CAFile string          `yaml:"ca_file" desc:"PEM file of the authorities that may vouch for the server; those of the system if not given. A relative path starts at the folder of this file."`
	Keys   []string        `yaml:"keys" desc:"Public keys whose signature counts, each NAME+HASH+BASE64 as weighpost configuration key prints it. A key stands for a person."`
	Every  strict.Duration `yaml:"every" desc:"How often it is looked for a new file, 10s to 168h." default:"15m"`
}

const (
	defaultEvery = 15 * time.Minute
	leastEvery   = 10 * time.Second
	mostEvery    = 168 * time.Hour

	fromAllowed = "https://host/path, the path of a file, or http://localhost/path on this machine"
	keyAllowed  = "the line NAME+HASH+BASE64 that weighpost configuration key prints"
)

// On says whether settings are pulled at all.
func (c Config) On() bool { return c.From != "" }

// Period is how often it is looked.
func (c Config) Period() time.Duration {
	if c.Every == 0 {
		return defaultEvery
	}
	return c.Every.D()
}

// IsURL says whether From is an address, and not a path.
func (c Config) IsURL() bool { return strings.Contains(c.From, "://") }

// Shown is where the file comes from, without what an address may hold that others should not read.
func (c Config) Shown() string {
	if u, err := url.Parse(c.From); c.IsURL() && err == nil {
		return u.Scheme + "://" + u.Host + u.Path
	}
	return c.From
}

// Check adds every fault of the configuration to r. It does not look at files or the network.
func (c *Config) Check(r *strict.Report) {
	if !c.On() {
		for key, given := range map[string]bool{"ca_file": c.CAFile != "", "keys": len(c.Keys) > 0} {
			if given {
				r.At(key).Fault("is given, and nothing is pulled without from", "from: "+fromAllowed)
			}
		}
	} else {
		c.checkFrom(r.At("from"))
		if len(c.Keys) == 0 {
			r.At("keys").Fault("is missing: nothing is ever taken that is not signed by a key that is named here", keyAllowed)
		}
	}
	if at := r.At("every"); (c.Every != 0 || at.Written()) && (c.Every.D() < leastEvery || c.Every.D() > mostEvery) {
		at.Fault(c.Every.String()+" is out of range", "10s to 168h")
	}
	c.checkKeys(r.At("keys"))
}

func (c *Config) checkFrom(r *strict.Report) {
	if !c.IsURL() {
		if strings.HasSuffix(c.From, "/") || filepath.Clean(c.From) == "." {
			r.Fault("is a folder", fromAllowed)
		}
		return
	}
	u, err := url.Parse(c.From)
	switch {
	case err != nil:
		r.Fault("is no URL", fromAllowed) // the error would repeat the text
	case u.User != nil:
		r.Fault("the URL holds a user name or a password, which would stand in this file", fromAllowed)
	case u.Scheme != "https" && u.Scheme != "http":
		r.Fault(fmt.Sprintf("the scheme %.20q is not known", u.Scheme), fromAllowed)
	case u.Hostname() == "":
		r.Fault("the URL names no host", fromAllowed)
	case u.Scheme == "http" && !loopback(u.Hostname()):
		r.Fault(fmt.Sprintf("%.100s would be asked without encryption: whoever is on the way could keep a new file back, unseen", u.Host), "https://")
	}
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// checkKeys finds keys that are none, and one key under two names: two signatures of one person would count as two people.
func (c *Config) checkKeys(r *strict.Report) {
	var seen []string
	for i, text := range c.Keys {
		if _, err := ParseKey(text); err != nil {
			r.Index(i).Fault(err.Error(), keyAllowed)
			continue
		}
		if public := publicPart(text); slices.Contains(seen, public) {
			r.Index(i).Fault("is a key that is there already, by this or by another name", "each key once: it stands for one person")
		} else {
			seen = append(seen, public)
		}
	}
}

// publicPart is the key alone, without its name.
func publicPart(text string) string {
	parts := strings.SplitN(strings.TrimSpace(text), "+", 3)
	b, err := base64.StdEncoding.DecodeString(parts[len(parts)-1])
	if err != nil {
		return text
	}
	return string(b)
}

// ParseKey reads the text of a public key.
func ParseKey(text string) (note.Verifier, error) {
	text = strings.TrimSpace(text)
	if strings.HasPrefix(text, "PRIVATE+") {
		return nil, fmt.Errorf("this is a secret key, which signs: it belongs to whoever signs, and nowhere else")
	}
	key, err := note.NewVerifier(text)
	if err != nil {
		return nil, fmt.Errorf("%.60q is no public key (NAME+HASH+BASE64)", text)
	}
	return key, nil
}

// KeyID names a key: its name and the first bytes of a hash over name and key.
func KeyID(key interface {
	Name() string
	KeyHash() uint32
}) string {
	return fmt.Sprintf("%s+%08x", key.Name(), key.KeyHash())
}

// verifiers are the keys of a configuration that was checked.
func verifiers(keys []string) (list []note.Verifier, err error) {
	for _, text := range keys {
		key, err := ParseKey(text)
		if err != nil {
			return nil, err
		}
		list = append(list, key)
	}
	return list, nil
}
