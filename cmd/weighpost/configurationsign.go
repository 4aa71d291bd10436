package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/central"
	"weighpost/gateway/config"
	"weighpost/gateway/newfile"
	"weighpost/parsers/layout"
)

type configurationKey struct {
	Name string `arg:"" help:"What the key is called: best after the person whose signature it makes, such as seed-bank-ada."`
	Out  string `required:"" placeholder:"FILE" help:"Where the secret key is written. It must not be there yet."`
}

// Help is what the command tells beyond its one line.
func (configurationKey) Help() string {
	return `Writes the secret key, which nobody but its person may read, and prints the public one for central: keys: in the configuration of each gateway.
Keep the secret key away from every gateway and from the place that they pull from.

    weighpost configuration key seed-bank-ada --out ada.key`
}

func (c configurationKey) Run(s streams) error {
	secret, public, err := note.GenerateKey(rand.Reader, c.Name)
	if err == nil {
		_, err = note.NewVerifier(public)
	}
	if err != nil {
		return fmt.Errorf("%q cannot be the name of a key: take letters, digits and -", c.Name)
	}
	f, err := os.OpenFile(c.Out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already, and is not written over: a key that is lost cannot be had again. Name another file", c.Out)
	}
	if err != nil {
		return fmt.Errorf("the secret key cannot be written: %w", err)
	}
	_, err = f.WriteString(secret + "\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("the secret key cannot be written: %w", err)
	}
	_, err = fmt.Fprintln(s.out, public)
	return err
}

// readSigner reads a secret key.
func readSigner(name string) (note.Signer, error) {
	text, err := readBounded(name, streams{}, 1<<16)
	if err != nil {
		return nil, fmt.Errorf("--key: the secret key cannot be read: %w", err)
	}
	signer, err := note.NewSigner(strings.TrimSpace(string(text)))
	if err != nil {
		return nil, fmt.Errorf("--key %s: this is no secret key as weighpost configuration key writes it", name)
	}
	return signer, nil
}

type configurationSign struct {
	File      string   `arg:"" help:"The parts of a configuration that are set, as YAML. Layouts that its balances name and that lie below its folder go along."`
	Key       string   `required:"" placeholder:"FILE" help:"The secret key."`
	Site      []string `placeholder:"NAME" help:"A site that it is for; several times, or with commas."`
	EverySite bool     `help:"For every site that trusts the key."`
	Serial    uint64   `required:"" placeholder:"N" help:"A number that is higher than that of the file before: a gateway takes none that is lower. Such as 2026113001."`
	Days      int      `default:"90" help:"For how many days it may be taken."`
	Out       string   `required:"" placeholder:"FILE" help:"The signed file. One that is there is replaced as a whole."`
}

// Help is what the command tells beyond its one line.
func (configurationSign) Help() string {
	return `A part of the configuration that the file names is set as a whole; what it does not name stays with each site. Which site it is, its journal,
its page and whose signature counts (site, journal, page, central) cannot be set. Secrets are named by file: or env:, as ever.

    weighpost configuration sign shared.yaml --key ada.key --site north-lab,seed-bank --serial 2026113001 --out seed-bank.settings

Look before and after: weighpost validate central. See weighpost help central-settings.`
}

// Validate is called by kong.
func (c configurationSign) Validate() error {
	if c.EverySite == (len(c.Site) > 0) {
		return errors.New("name the sites (--site), or say --every-site")
	}
	return nil
}

func (c configurationSign) Run(s streams) error {
	signer, err := readSigner(c.Key)
	if err != nil {
		return err
	}
	src, err := config.ReadFile(c.File)
	if err != nil {
		return fmt.Errorf("the settings cannot be read: %w", err)
	}
	part, faults := config.LoadPart(c.File, src, nil)
	if len(faults) > 0 {
		return reportFaults(s, faults, false)
	}
	layouts, theirs, err := c.layouts(s, part.Named)
	if err != nil {
		return err
	}
	h := central.Head{Sites: slices.Sorted(slices.Values(c.Site)), Serial: c.Serial, Made: time.Now(), Until: time.Now().AddDate(0, 0, c.Days)}
	if c.EverySite {
		h.Sites = []string{central.EverySite}
	}
	b, err := central.Sign(h, src, layouts, signer)
	if err != nil {
		return fmt.Errorf("%s was not signed: %w", c.File, err)
	}
	if err := putSigned(c.Out, b); err != nil {
		return err
	}
	for _, name := range theirs {
		fmt.Fprintf(s.out, "note: the layout %s is not beside %s: each gateway has to have it\n", plain(name), plain(c.File))
	}
	_, err = fmt.Fprintf(s.out, "%s: signed by %s: serial %d, for %s, sets %s, with %s\n", c.Out, central.KeyID(signer), h.Serial, strings.Join(h.Sites, ", "),
		strings.Join(part.Sections, ", "), count(len(layouts), "layout"))
	return err
}

// layouts reads the layouts that go along, and names those that do not.
func (c configurationSign) layouts(s streams, named []string) (along map[string][]byte, theirs []string, err error) {
	along = map[string][]byte{}
	for _, name := range named {
		path := filepath.Join(filepath.Dir(c.File), name)
		if _, err := os.Stat(path); !filepath.IsLocal(name) || errors.Is(err, fs.ErrNotExist) {
			theirs = append(theirs, name)
			continue
		}
		text, err := config.ReadFile(path)
		if err != nil {
			return nil, nil, fmt.Errorf("the layout cannot be read: %w", err)
		}
		if _, err := layout.Parse(path, text); err != nil {
			return nil, nil, reportFaults(s, err, false)
		}
		along[name] = text
	}
	return along, theirs, nil
}

// putSigned writes a signed file, whole or not at all: gateways may be reading it.
func putSigned(name string, b []byte) error {
	part, err := newfile.Part(name, func(w io.Writer) error { _, err := w.Write(b); return err })
	if err == nil {
		err = errors.Join(os.Chmod(part, 0o644), os.Rename(part, name)) // it holds no secret
	}
	if err != nil {
		return fmt.Errorf("the signed file cannot be written: %w", err)
	}
	return nil
}

type configurationCountersign struct {
	File string `arg:"" help:"The signed file. It is replaced by one with your signature beside those that it has."`
	Key  string `required:"" placeholder:"FILE" help:"Your secret key: another one than the first."`
}

// Help is what the command tells beyond its one line.
func (configurationCountersign) Help() string {
	return `Where the policy of a site takes two people for a change (settings: adopt: two), a file needs the signatures of two keys that the site trusts.
Read what you sign: weighpost validate central shows it.

    weighpost configuration countersign seed-bank.settings --key bea.key`
}

func (c configurationCountersign) Run(s streams) error {
	signer, err := readSigner(c.Key)
	if err != nil {
		return err
	}
	b, err := readBounded(c.File, s, central.MaxSize)
	if err != nil {
		return fmt.Errorf("the signed file cannot be read: %w", err)
	}
	if b, err = central.Countersign(b, signer); err != nil {
		return fmt.Errorf("%s was not signed: %w", c.File, err)
	}
	if err := putSigned(c.File, b); err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "%s: signed by %s as well\n", c.File, central.KeyID(signer))
	return err
}
