package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/certificate"
	"weighpost/gateway/config"
)

type certificateCommand struct {
	Config string `required:"" short:"c" placeholder:"FILE" help:"The daemon's configuration, which says which certificate the page has."`
	JSON   bool   `help:"Print one JSON object."`
}

// Help is what the command tells beyond its one line.
func (certificateCommand) Help() string {
	return `The certificate that the page shows, by the file page-certificate.pem in the journal's folder, which weighpost writes whenever
it takes one. A browser that does not know who vouches for it shows the fingerprint: compare it with this one, character by
character, before you trust the page. The help topic network tells more.`
}

func (c certificateCommand) Run(s streams) error {
	cfg, err := config.LoadFile(c.Config)
	if err != nil {
		return fmt.Errorf("the configuration %s has mistakes (weighpost validate config tells them): %w", c.Config, err)
	}
	if !cfg.Page.TLS.On() {
		return fmt.Errorf("the page of %s has no certificate: it speaks plain HTTP on loopback. Set page, tls for one", c.Config)
	}
	leaf, err := certificate.Shown(cfg.Journal.Folder, cfg.Page.TLS)
	if err != nil {
		return err
	}
	facts := certificate.FactsOf(leaf)
	if c.JSON {
		return json.NewEncoder(s.out).Encode(struct {
			certificate.Facts
			SelfMade bool `json:"self_made"`
		}{facts, cfg.Page.TLS.SelfMade})
	}
	from := facts.Issuer
	if cfg.Page.TLS.SelfMade {
		from = "weighpost itself"
	} else if from == "" {
		from = "itself"
	}
	_, err = fmt.Fprintf(s.out, "SHA-256      %s\nstands for   %s\nvalid        %s to %s\nvouched for  by %s\n", facts.Fingerprint,
		plain(strings.Join(facts.Names, ", ")), facts.From.Format(time.RFC3339), facts.Until.Format(time.RFC3339), plain(from))
	return err
}
