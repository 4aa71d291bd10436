package archive

import (
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/logging"
	"weighpost/gateway/proof"
	"weighpost/parsers/strict"
	"weighpost/sinks/nats"
	"weighpost/sinks/postgres"
)

// Config is the configuration of one instance as a person writes it. All instances of an archive have the same, but for listen.
type Config struct {
	NATS     Stream              `yaml:"nats" desc:"The servers, and the stream that the gateways publish to."`
	Database postgres.Connection `yaml:"database" desc:"The PostgreSQL that keeps everything, in the schema archive."`
	Gateways Gateways            `yaml:"gateways" desc:"Whose checkpoints are believed."`
	Cosigner string              `yaml:"cosigner" desc:"File with the archive's own secret key, as weighpost archive key makes it. All instances have the same one. Left out: nothing is co-signed."`
	Listen   string              `yaml:"listen" desc:"Where numbers for monitoring (/metrics) and the state (/healthz) are served, without encryption: an address of this machine. Left out: nowhere."`
	Log      logging.Config      `yaml:"log" desc:"How the log is written."`

	keys     trusted
	cosigner *proof.Cosigner
	notes    strict.Faults
}

// Stream is where the messages are.
type Stream struct {
	nats.Connection `yaml:",inline"`

	Stream   string `yaml:"stream" desc:"Name of the stream that the gateways publish to." default:"WEIGHPOST"`
	Prefix   string `yaml:"subject_prefix" desc:"What all subjects begin with, as at the gateways." default:"weighpost"`
	Consumer string `yaml:"consumer" desc:"Name of the durable consumer that all instances share. It is made where there is none." default:"archive"`
	Batch    int    `yaml:"batch" desc:"Most messages written in one transaction, 1 to 5000." default:"500"`
}

// Gateways says whose checkpoints are believed.
type Gateways struct {
	Keys     []string `yaml:"keys" desc:"Public keys of the gateways' journals, NAME+HASH+BASE64 each: the content of key.pub in the journal's folder."`
	KeysFile string   `yaml:"keys_file" desc:"File with more of them, one a line; lines that begin with # are remarks."`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{
		NATS:     Stream{Stream: "WEIGHPOST", Prefix: "weighpost", Consumer: "archive", Batch: 500},
		Database: postgres.DefaultConnection(),
		Log:      logging.Config{Format: logging.Text, Level: "info"},
	}
}

// Load reads a configuration and the files that it names. Paths are relative to its folder. With faults there is no Config.
func Load(name string, src []byte) (*Config, strict.Faults) {
	c := Default()
	doc, faults := strict.Load(name, src, c)
	for _, path := range []*string{&c.Gateways.KeysFile, &c.Cosigner} {
		if *path != "" && !filepath.IsAbs(*path) {
			*path = filepath.Join(filepath.Dir(name), *path)
		}
	}
	r := doc.Report()
	c.check(r)
	faults = append(faults, r.Faults()...)
	faults.Sort()
	if len(faults) > 0 {
		return nil, faults
	}
	c.notes = r.Notes()
	return c, nil
}

// Notes are remarks about a file that is valid.
func (c *Config) Notes() strict.Faults { return c.notes }

// Keys is how many gateways' keys are believed, those of keys_file among them.
func (c *Config) Keys() int { return len(c.keys) }

// Cosigns gives the text of the public key that co-signs; "" where none does.
func (c *Config) Cosigns() string {
	if c.cosigner == nil {
		return ""
	}
	return c.cosigner.Public().String()
}

func (c *Config) check(r *strict.Report) {
	c.NATS.check(r.At("nats"))
	c.Database.Check(r.At("database"))
	c.keys = trusted{}
	c.Gateways.check(r.At("gateways"), c.keys)
	if c.Cosigner == "" {
		r.At("cosigner").Note("names no key of the archive: what gateways publish is kept and verified, and nothing is co-signed. weighpost archive key makes one")
	} else if key, err := readCosigner(c.Cosigner); err != nil {
		r.At("cosigner").Fault(err.Error(), "")
	} else {
		c.cosigner = key
	}
	if c.Listen == "" {
		return
	}
	host, _, err := net.SplitHostPort(c.Listen)
	if ip := net.ParseIP(host); err != nil || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		r.At("listen").Fault(fmt.Sprintf("%.60q is no address of this machine alone: what is served has no encryption and asks nobody who they are", c.Listen),
			"127.0.0.1:PORT, [::1]:PORT or localhost:PORT; a proxy with TLS may stand before it")
	}
}

func (s *Stream) check(r *strict.Report) {
	s.Connection.Check(r)
	if why := nats.CheckStreamName(s.Stream); why != "" {
		r.At("stream").Fault(fmt.Sprintf("%.60q %s", s.Stream, why), "a name of letters, digits, - and _, such as WEIGHPOST")
	}
	if why := nats.CheckStreamName(s.Consumer); why != "" {
		r.At("consumer").Fault(fmt.Sprintf("%.60q %s", s.Consumer, why), "a name of letters, digits, - and _, such as archive")
	}
	if why := nats.CheckPrefix(s.Prefix); why != "" {
		r.At("subject_prefix").Fault(fmt.Sprintf("%.60q %s", s.Prefix, why), "words with a dot between them, as at the gateways")
	}
	if s.Batch < 1 || s.Batch > 5000 {
		r.At("batch").Fault(fmt.Sprintf("%d is out of range", s.Batch), "1 to 5000")
	}
}

// check reads all keys into those that are believed.
func (g *Gateways) check(r *strict.Report, into trusted) {
	const allowed = "NAME+HASH+BASE64, the content of key.pub in a journal's folder"
	for i, line := range g.Keys {
		key, err := parseGatewayKey(line)
		if err != nil {
			r.At("keys").Index(i).Fault(err.Error(), allowed)
			continue
		}
		into[strings.TrimSpace(line)] = key
	}
	if g.KeysFile != "" {
		content, err := readSmall(g.KeysFile)
		if err != nil {
			r.At("keys_file").Fault("the file of the gateways' keys cannot be read: "+err.Error(), "")
			return
		}
		for _, l := range keyLines(content) {
			key, err := parseGatewayKey(l.text)
			if err != nil {
				r.At("keys_file").Fault(fmt.Sprintf("line %d of %s: %v", l.number, g.KeysFile, err), allowed)
				continue
			}
			into[l.text] = key
		}
	}
	if len(g.Keys) == 0 && g.KeysFile == "" {
		r.Fault("names no key, so that nothing could be verified", "keys or keys_file")
	}
}

// line is a line of a file that says something.
type line struct {
	number int
	text   string
}

// keyLines are the lines of a file of keys that are not empty and no remarks.
func keyLines(content string) (list []line) {
	for i, text := range strings.Split(content, "\n") {
		if text = strings.TrimSpace(text); text != "" && !strings.HasPrefix(text, "#") {
			list = append(list, line{i + 1, text})
		}
	}
	return list
}

// parseGatewayKey reads the key of a gateway's journal.
func parseGatewayKey(text string) (note.Verifier, error) {
	key, err := proof.ParseKey(text)
	if err != nil {
		return nil, err
	}
	if _, _, err := splitOrigin(key.Name()); err != nil {
		return nil, errors.New("the key is not that of a journal: its name is not weighpost/SITE/INCARNATION")
	}
	return key, nil
}
