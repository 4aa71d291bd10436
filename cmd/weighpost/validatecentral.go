package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/central"
	"weighpost/gateway/config"
	"weighpost/parsers/strict"
)

type validateCentralCommand struct {
	File   string   `arg:"" help:"The signed file; - reads standard input."`
	Key    []string `sep:"none" placeholder:"KEY" help:"A public key that is trusted: a file, or its text NAME+HASH+BASE64. Several times for several."`
	Config string   `short:"c" placeholder:"FILE" help:"The configuration of a gateway: its keys and its site count, and it is tried whether the file fits. What that gateway has taken before is not known here."`
	JSON   bool     `name:"json" help:"Print what is found as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (validateCentralCommand) Help() string {
	return `Says who has signed the file, for which sites, under which serial number and until when it may be taken, and which parts of a configuration it
sets. Needs a key or a configuration: a file shows by itself only what it says of itself.

    weighpost validate central seed-bank.settings --key seed-bank-ada+669afb79+AZPNXM0Tq/ySJQoEcPCEO00mtWCBVjbYy0k0nIdMR268
    weighpost validate central seed-bank.settings --config /etc/weighpost/weighpost.yaml

Exit status: 0 it is signed by a key that is trusted, and the gateway of --config would take it; 1 not so, or it cannot be read.`
}

// signedSettings is what is found, as JSON.
type signedSettings struct {
	Signed   []string `json:"signed"`
	Sites    []string `json:"sites"`
	Serial   uint64   `json:"serial"`
	Made     string   `json:"made"`
	Until    string   `json:"until"`
	Sum      string   `json:"sum"`
	Sections []string `json:"sections"`
	Layouts  int      `json:"layouts"`
	Changes  []string `json:"changes,omitempty"` // of the configuration that was given
}

// Validate is called by kong.
func (c validateCentralCommand) Validate() error {
	if (len(c.Key) > 0) == (c.Config != "") {
		return errors.New("name a key (--key) or the configuration of a gateway (--config): a file shows by itself only what it says of itself")
	}
	return nil
}

func (c validateCentralCommand) Run(s streams) error {
	b, err := readBounded(c.File, s, central.MaxSize)
	if err != nil {
		return fmt.Errorf("the signed file cannot be read: %w", err)
	}
	f, changes, err := c.open(b)
	if f == nil {
		return fmt.Errorf("%s is worth nothing: %w", c.File, err)
	}
	part, faults := config.LoadPart(central.Main, f.Settings, f.Layouts)
	if err == nil && len(faults) > 0 {
		err = faults
	}
	out := signedSettings{Signed: f.Signed, Sites: f.Sites, Serial: f.Serial, Made: f.Made.UTC().Format(time.RFC3339), Until: f.Until.UTC().Format(time.RFC3339),
		Sum: f.Digest(), Sections: append([]string{}, part.Sections...), Layouts: len(f.Layouts), Changes: changes}
	if c.JSON {
		if err := json.NewEncoder(s.out).Encode(out); err != nil {
			return err
		}
	} else if _, err := io.WriteString(s.out, out.text()); err != nil {
		return err
	}
	if list := (strict.Faults)(nil); errors.As(err, &list) && !c.JSON {
		return reportFaults(s, list, false)
	}
	if err != nil {
		return fmt.Errorf("a gateway would not take %s: %w", c.File, err)
	}
	return nil
}

// open reads the file by the keys that are trusted, and with a configuration tries it there.
func (c validateCentralCommand) open(b []byte) (*central.File, []string, error) {
	if c.Config != "" {
		cfg, err := config.LoadFile(c.Config)
		if err != nil {
			return nil, nil, err
		}
		if !cfg.Central.On() {
			return nil, nil, fmt.Errorf("%s pulls no settings: it has no central: from", c.Config)
		}
		return gateway.TryCentral(b, cfg, time.Now())
	}
	var keys []string
	for _, text := range c.Key {
		if _, err := central.ParseKey(text); err != nil {
			file, err := readBounded(text, streams{}, 1<<16)
			if err != nil {
				return nil, nil, fmt.Errorf("--key: the public key cannot be read: %w", err)
			}
			text = string(file)
		}
		keys = append(keys, strings.TrimSpace(text))
	}
	f, err := central.Open(b, keys)
	if err == nil && time.Now().After(f.Until) {
		err = fmt.Errorf("it could be taken until %s, which is over", f.Until.UTC().Format(time.RFC3339))
	}
	return f, nil, err
}

func (f signedSettings) text() string {
	var b strings.Builder
	line := func(name, format string, args ...any) {
		fmt.Fprintf(&b, "%-10s %s\n", name, plain(fmt.Sprintf(format, args...)))
	}
	line("signed by", "%s", strings.Join(f.Signed, ", "))
	line("for", "%s", strings.Join(f.Sites, ", "))
	line("serial", "%d", f.Serial)
	line("made", "%s", f.Made)
	line("until", "%s", f.Until)
	line("contents", "%s", f.Sum)
	line("sets", "%s; %s", strings.Join(f.Sections, ", "), count(f.Layouts, "layout"))
	for i, change := range f.Changes {
		line(map[bool]string{true: "changes"}[i == 0], "%s", change)
	}
	return b.String()
}
