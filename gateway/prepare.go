package gateway

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"net"
	"slices"
	"strings"

	"weighpost/gateway/certificate"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/intake"
	"weighpost/gateway/record"
	"weighpost/gateway/roster"
	"weighpost/parsers/layout"
)

// change is a reload that is prepared and has touched nothing yet.
type change struct {
	next     *running // its page, sinks and balances are those that run now, until the change is carried out
	roster   roster.Roster
	entry    *record.Configured
	listen   net.Listener        // nil: the page stays where it is
	shows    *certificate.Keeper // of the page; nil: it has no TLS
	sinks    []sinkStep          // one for each sink of the configuration, in its order
	balances []balanceStep       // one for each balance likewise

	pageLater bool // the page moves once it has answered whoever asked for this
}

// sinkStep is what becomes of one sink.
type sinkStep struct {
	cfg    config.Sink
	old    *sink // of the same id; nil: there was none
	keep   bool  // old goes on undisturbed
	secret bool  // one of its secrets is another
}

// balanceStep is what becomes of one balance.
type balanceStep struct {
	old    *balance // of the same id and read now; nil: there was none
	next   *balance
	line   bool           // the port is closed, and next's is opened instead
	layout *layout.Layout // nil: it stays
}

// prepare builds everything that is new in cfg. An error means that nothing was touched.
func (g *Gateway) prepare(ctx context.Context, cfg *config.Config) (*change, error) {
	now := g.now.Load()
	if err := sameJournal(now.cfg, cfg); err != nil {
		return nil, err
	}
	all := describe(cfg.Balances)
	if taken := g.roster.Taken(all); len(taken) > 0 {
		return nil, takenError(taken)
	}
	next := *now
	next.cfg, next.software = cfg, softwareOf(cfg)
	c := &change{next: &next, roster: g.roster.With(all, next.software.Config, cfg.Redacted())}
	c.roster.Secrets = secretPlaces(g.roster.Secrets, now.cfg, cfg)
	c.entry = &record.Configured{From: now.software.Config, Layouts: cfg.LayoutTexts(), BalanceLayouts: cfg.BalanceLayouts(), Stamp: g.stamp()}
	differences, err := config.Diff(now.cfg.Redacted(), cfg.Redacted())
	if err != nil {
		return nil, err
	}
	for _, d := range differences {
		c.say(d.String())
	}
	if err := g.prepareSinks(c, now); err != nil {
		return nil, err
	}
	if err := g.prepareBalances(c, now); err != nil {
		return nil, err
	}
	if c.shows, err = g.prepareCertificate(cfg, now); err != nil {
		return nil, err
	}
	if cfg.Page.Listen != now.cfg.Page.Listen {
		if c.listen, err = console.Listen(ctx, cfg.Page); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// discard lets go of what was prepared.
func (c *change) discard() {
	if c.listen != nil {
		_ = c.listen.Close() // nobody was let in yet
	}
}

func (c *change) say(sentence string) { c.entry.Changes = append(c.entry.Changes, sentence) }

// sameJournal refuses what would make it another journal.
func sameJournal(now, next *config.Config) error {
	var faults []string
	if now.Site != next.Site {
		faults = append(faults, fmt.Sprintf("the name of the site is %s and cannot become %s while weighpost runs: it begins the id of every weighing",
			now.Site, next.Site))
	}
	if now.Journal.Folder != next.Journal.Folder {
		faults = append(faults, fmt.Sprintf("the journal is in %s and cannot move to %s while weighpost runs: stop it, move the folder, and start it again",
			now.Journal.Folder, next.Journal.Folder))
	}
	if faults != nil {
		return errors.New(strings.Join(faults, "; "))
	}
	return nil
}

func takenError(taken []roster.Taken) error {
	var faults []string
	for _, t := range taken {
		faults = append(faults, t.String()+". "+strings.TrimSuffix(t.Remedy(), "."))
	}
	return errors.New(strings.Join(faults, "; "))
}

// describe writes balances as the journal has them outside of a reading.
func describe(balances []intake.Config) (all []record.Balance) {
	for i := range balances {
		all = append(all, balances[i].Describe(""))
	}
	return all
}

func (g *Gateway) prepareSinks(c *change, now *running) error {
	for _, cfg := range c.next.cfg.Sinks {
		step := sinkStep{cfg: cfg}
		if i := slices.IndexFunc(now.sinks, func(s *sink) bool { return s.cfg.Delivery.ID == cfg.Delivery.ID }); i >= 0 {
			step.old = now.sinks[i]
			for _, key := range changedSecrets(step.old.secrets, g.fingerprints(cfg)) {
				step.secret = true
				c.say(fmt.Sprintf("sink %s: what is kept as its %s was changed", cfg.Delivery.ID, key))
			}
		}
		if step.keep = step.old != nil && !step.secret && step.old.cfg.Canonical() == cfg.Canonical(); !step.keep {
			place, err := deliver.Plan(g.journal, cfg.Delivery, cfg.Settings.Destination())
			if err != nil {
				return err
			}
			step.keep = step.old != nil && !step.secret && !place.New && sameButCursor(step.old.cfg, cfg)
		}
		c.sinks = append(c.sinks, step)
	}
	return nil
}

// sameButCursor says whether two configurations of a sink differ at most in what a new destination begins with. Once the
// sink's place is settled, that is of no more use.
func sameButCursor(a, b config.Sink) bool {
	a.Delivery.Cursor, b.Delivery.Cursor = "", ""
	return a.Canonical() == b.Canonical()
}

// fingerprints tells the secrets of a sink apart from others without holding them. They mean nothing outside of this
// process. A secret that cannot be read has none.
func (g *Gateway) fingerprints(cfg config.Sink) map[string]string {
	prints := map[string]string{}
	for key, secret := range cfg.Secrets() {
		if value, err := secret.Resolve(); err == nil {
			mac := hmac.New(sha256.New, g.secretKey[:])
			mac.Write(value)
			prints[key] = string(mac.Sum(nil))
		}
	}
	return prints
}

// changedSecrets lists the keys whose secret is another. One that cannot be read now is left as it is in use.
func changedSecrets(before, after map[string]string) (keys []string) {
	for _, key := range slices.Sorted(maps.Keys(after)) {
		if before[key] != after[key] {
			keys = append(keys, key)
		}
	}
	return keys
}

func (g *Gateway) prepareBalances(c *change, now *running) error {
	for _, cfg := range c.next.cfg.Balances {
		step := balanceStep{next: &balance{cfg: cfg}}
		i := slices.IndexFunc(now.balances, func(b *balance) bool { return b.cfg.ID == cfg.ID && b.intake != nil })
		if i < 0 {
			var err error
			if step.next, err = g.newBalance(cfg, c.next.cfg, c.next.software); err != nil {
				return err
			}
			c.balances = append(c.balances, step)
			continue
		}
		step.old = now.balances[i]
		*step.next = *step.old
		step.next.cfg = cfg
		if step.line = step.old.cfg.NeedsNewLine(cfg); step.line {
			step.next.line, step.next.scanner = g.newLines(cfg)
		}
		if from, to := now.cfg.Layout(cfg.ID), c.next.cfg.Layout(cfg.ID); from.Hash() != to.Hash() {
			step.layout = to
			c.say(fmt.Sprintf("balance %s: the layout was changed from %s to %s", cfg.ID, from.Hash(), to.Hash()))
		}
		c.balances = append(c.balances, step)
	}
	return nil
}
