package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"

	"weighpost/gateway/archive"
	"weighpost/gateway/config"
	"weighpost/gateway/logging"
	"weighpost/parsers/strict"
)

type archiveCommand struct {
	Run        archiveRun        `cmd:"" help:"Take what gateways publish, keep it in PostgreSQL, verify and co-sign it."`
	Page       archivePage       `cmd:"" help:"Show all sites in a browser: gateways, weighings, what happened, proofs. Nothing can be changed there."`
	Status     archiveStatus     `cmd:"" help:"Show how far each gateway is, and what is wrong."`
	Checkpoint archiveCheckpoint `cmd:"" help:"Print the newest co-signed checkpoint of a gateway's journal."`
	Settle     archiveSettle     `cmd:"" help:"End the dispute of a gateway's journal, once you know what it was."`
	Key        archiveKey        `cmd:"" help:"Make the key that the archive co-signs with, and print its public half."`
}

// archiveFlags name the configuration that a command works by.
type archiveFlags struct {
	Config string `required:"" short:"c" placeholder:"FILE" help:"The archive's configuration."`
}

// load reads the configuration, and prints its mistakes.
func (f archiveFlags) load(s streams) (*archive.Config, error) {
	cfg, err := loadArchive(f.Config)
	if faults := (strict.Faults)(nil); errors.As(err, &faults) {
		fmt.Fprintln(s.err, faults)
		return nil, fmt.Errorf("the configuration %s has mistakes: mend the lines above", f.Config)
	}
	return cfg, err
}

func loadArchive(path string) (*archive.Config, error) {
	src, err := config.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the archive's configuration cannot be read: %w", err)
	}
	cfg, faults := archive.Load(path, src)
	return cfg, faults.Err()
}

// open opens the archive for reading.
func (f archiveFlags) open(ctx context.Context, s streams) (*archive.Reader, error) {
	cfg, err := f.load(s)
	if err != nil {
		return nil, err
	}
	r, err := archive.OpenReader(ctx, cfg.Database)
	if err != nil {
		return nil, err
	}
	if err := r.Ready(ctx); err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

type archiveRun struct{ archiveFlags }

// Help is what the command tells beyond its one line.
func (archiveRun) Help() string {
	return `One instance of the archive. Start as many as you like, here or elsewhere, with the same configuration: they share the work, and one
that ends in the middle loses nothing. The first start makes its tables, in the schema archive of the database.

Example: weighpost archive run --config /etc/weighpost/archive.yaml

See: weighpost help sites`
}

func (c archiveRun) Run(ctx context.Context, s streams) error {
	return managed(ctx, s, func(ctx context.Context, s streams) error {
		cfg, err := c.load(s)
		if err != nil {
			return err
		}
		log := logging.New(s.err, cfg.Log)
		defer log.Close()
		for _, n := range cfg.Notes() {
			log.Warn(n.Error())
		}
		fmt.Fprintf(s.out, "weighpost archive: %s of gateways, co-signs as %s\n", count(cfg.Keys(), "key"), orNobody(cfg.Cosigns()))
		return archive.New(cfg, log.Logger).Run(ctx)
	})
}

func orNobody(key string) string {
	if key == "" {
		return "nobody"
	}
	return key
}

type archiveStatus struct {
	archiveFlags
	Site     string `placeholder:"SITE" help:"Of one site only."`
	Evidence bool   `help:"Show what was kept because it does not fit, newest first, in place of the gateways."`
	JSON     bool   `help:"Print one gateway, or one piece of evidence, a line, as JSON."`
}

// Help is what the command tells beyond its one line.
func (archiveStatus) Help() string {
	return `Each life of a gateway's journal: up to which entry all are here without a gap, up to which they lead to a checkpoint that the gateway
signed, up to which the archive has co-signed, and below it in sentences what is missing or does not fit.

Example: weighpost archive status --config /etc/weighpost/archive.yaml

Exit status: 0 nothing is in dispute, 1 something is, or the archive cannot be read.`
}

func (c archiveStatus) Run(ctx context.Context, s streams) error {
	r, err := c.open(ctx, s)
	if err != nil {
		return err
	}
	defer r.Close()
	if c.Evidence {
		return c.evidence(ctx, s, r)
	}
	all, err := r.Gateways(ctx)
	if err != nil {
		return err
	}
	list := all[:0]
	disputed := false
	for _, g := range all {
		if c.Site == "" || g.Site == c.Site {
			list, disputed = append(list, g), disputed || g.State == archive.StateDispute
		}
	}
	if err := c.print(s, list); err != nil {
		return err
	}
	if disputed {
		return errQuiet
	}
	return nil
}

func (c archiveStatus) print(s streams, list []archive.Gateway) error {
	if c.JSON {
		return jsonLines(s, list)
	}
	if len(list) == 0 {
		fmt.Fprintln(s.out, "no gateway has published anything that is here")
		return nil
	}
	w := tabwriter.NewWriter(s.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "JOURNAL\tSTATE\tHELD\tVERIFIED\tCO-SIGNED\tWHEN")
	for _, g := range list {
		when := "never"
		if g.CosignedAt != nil {
			when = g.CosignedAt.Local().Format("2006-01-02 15:04:05")
		}
		fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%d\t%s\n", plain(g.Origin), g.State, g.Held, g.Verified, g.Cosigned, when)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, g := range list {
		for _, what := range g.Wrong {
			fmt.Fprintf(s.out, "%s: %s\n", plain(g.Origin), plain(what))
		}
	}
	return nil
}

func (c archiveStatus) evidence(ctx context.Context, s streams, r *archive.Reader) error {
	list, err := r.Oddities(ctx, c.Site)
	if err != nil {
		return err
	}
	if c.JSON {
		return jsonLines(s, list)
	}
	for _, o := range list {
		fmt.Fprintf(s.out, "%s  %s  %s\n    %s\n", o.Found.Local().Format("2006-01-02 15:04:05"), plain(orNone(o.Site)), plain(o.What),
			plain(strings.TrimSpace(fmt.Sprintf("%.300s", o.Bytes))))
	}
	return nil
}

func orNone(site string) string {
	if site == "" {
		return "(no site)"
	}
	return site
}

// jsonLines prints one value a line.
func jsonLines[T any](s streams, list []T) error {
	out := json.NewEncoder(s.out)
	for _, v := range list {
		if err := out.Encode(v); err != nil {
			return err
		}
	}
	return nil
}

type archiveCheckpoint struct {
	archiveFlags
	Origin string `arg:"" help:"Origin of the journal's checkpoints: weighpost/SITE/INCARNATION, as weighpost archive status shows it."`
}

// Help is what the command tells beyond its one line.
func (archiveCheckpoint) Help() string {
	return `The signed note as it is, with the signature lines of the gateway and of the archive: for weighpost journal verify --against at the
gateway, for weighpost validate checkpoint anywhere, or to be kept.

Example: weighpost archive checkpoint weighpost/north-lab/7qx3a --config archive.yaml > north.checkpoint`
}

func (c archiveCheckpoint) Run(ctx context.Context, s streams) error {
	r, err := c.open(ctx, s)
	if err != nil {
		return err
	}
	defer r.Close()
	list, err := r.Gateways(ctx)
	if err != nil {
		return err
	}
	for _, g := range list {
		if g.Origin == c.Origin && g.Checkpoint != "" {
			_, err := fmt.Fprint(s.out, g.Checkpoint)
			return err
		}
	}
	return fmt.Errorf("nothing of %s is co-signed: weighpost archive status says how far it is", plain(c.Origin))
}

type archiveSettle struct {
	archiveFlags
	Origin string `arg:"" help:"Origin of the journal's checkpoints: weighpost/SITE/INCARNATION."`
	By     string `required:"" placeholder:"NAME" help:"Who decides that."`
	Reason string `required:"" placeholder:"TEXT" help:"What it was, and why it is over."`
}

// Help is what the command tells beyond its one line.
func (archiveSettle) Help() string {
	return `The journal is co-signed again from its next good checkpoint on. Evidence, name and reason stay; what does not fit after that is another
dispute. Whoever settles has found out what happened: a dispute may mean that records were altered.

Example: weighpost archive settle weighpost/north-lab/7qx3a --by mbe --reason "the broker was tried out by hand" --config archive.yaml`
}

func (c archiveSettle) Run(ctx context.Context, s streams) error {
	cfg, err := c.load(s)
	if err != nil {
		return err
	}
	if err := archive.Settle(ctx, cfg, c.Origin, c.By, c.Reason); err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "settled: %s is co-signed again from its next good checkpoint on\n", plain(c.Origin))
	return err
}

type archiveKey struct {
	File string `arg:"" help:"File for the secret key. One that is there is left as it is."`
	Name string `required:"" placeholder:"NAME" help:"Name of the co-signer, without spaces and +: that of a place you own, such as archive.example.org."`
}

// Help is what the command tells beyond its one line.
func (archiveKey) Help() string {
	return `Draws an Ed25519 key for co-signatures (C2SP tlog-cosignature), writes the secret half to a new file that its owner alone may read, and
prints the public half: that is what auditors need, from you and by a way that they trust. Keep the key away from people who look
after gateways: a second party counts only as long as it is one.

Example: weighpost archive key /etc/weighpost/archive.key --name archive.example.org`
}

func (c archiveKey) Run(s streams) error {
	public, err := archive.MakeKey(c.File, c.Name)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(s.out, public)
	return err
}
