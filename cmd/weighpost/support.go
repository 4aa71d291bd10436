package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/newfile"
	"weighpost/gateway/support"
)

type supportCommand struct {
	Config      string        `required:"" short:"c" placeholder:"FILE" help:"The daemon's configuration."`
	Out         string        `placeholder:"FILE.tar.gz" help:"Where the bundle goes. By default weighpost-support-SITE-TIME.tar.gz in this folder."`
	Log         string        `placeholder:"FILE" help:"The daemon's log, where that is a file. By default systemd's journal is asked."`
	WithEntries int           `placeholder:"N" help:"Also pack the last N entries of the journal whole: values, samples and names of people."`
	VerifyFor   time.Duration `default:"30s" help:"How long verifying the journal may take."`
	JSON        bool          `name:"json" help:"Print one JSON object with the file and what is in it."`
}

// Help is what the command tells beyond its one line.
func (supportCommand) Help() string {
	return `Packs what somebody who helps from afar needs to see: version, settings, conditions, measurements, destinations, clock, what the
daemon's goroutines do, the last lines of the log, the journal's size and whether it verifies, ports, and the computer. It changes nothing,
and works while the daemon is down: what only a daemon knows is then said to be missing.

Secrets are not in it, nor values of weighings, samples, and names and addresses of people, unless you ask for entries. Texts of
other programs, such as what a server answered, stand in it as they came: look through the bundle before you send it.

Run it as weighpost's user or as root: others may not read the journal and the log.

For example, as root:

    weighpost support --config /etc/weighpost/weighpost.yaml --out support.tar.gz`
}

func (c supportCommand) Run(ctx context.Context, s streams) error {
	cfg, err := config.LoadFile(c.Config)
	if err != nil {
		return fmt.Errorf("the configuration %s has mistakes, and without it nothing is found: send what weighpost validate config says (%w)", c.Config, err)
	}
	if c.WithEntries < 0 {
		return errors.New("--with-entries counts entries, and cannot be below 0")
	}
	out := c.Out
	if out == "" {
		out = fmt.Sprintf("weighpost-support-%s-%s.tar.gz", cfg.Site, time.Now().UTC().Format("20060102T150405Z"))
	}
	o := support.Options{Config: cfg, Version: support.Built(gateway.Version()), Log: c.Log, Entries: c.WithEntries, VerifyFor: c.VerifyFor}
	if journal.InUse(cfg.Journal.Folder) {
		o.Ask = func(ctx context.Context, path string) ([]byte, error) { return askPage(ctx, cfg, path) }
	}
	if _, err := os.Lstat(out); err == nil {
		return fmt.Errorf("%s is there already: name another file with --out", out)
	}
	var parts []support.Part
	part, err := newfile.Part(out, func(w io.Writer) (err error) {
		parts, err = support.Write(ctx, w, o)
		return err
	})
	if err == nil {
		err = errors.Join(os.Chmod(part, 0o600), os.Rename(part, out))
	}
	if err != nil {
		return fmt.Errorf("the bundle cannot be written: %w", err)
	}
	return c.print(s, out, parts)
}

func (c supportCommand) print(s streams, out string, parts []support.Part) error {
	if c.JSON {
		return json.NewEncoder(s.out).Encode(map[string]any{"bundle": out, "parts": parts, "warning": support.Warning})
	}
	fmt.Fprintf(s.out, "%s\n", out)
	for _, p := range parts {
		if p.Missing != "" {
			fmt.Fprintf(s.out, "  %-20s not there: %s\n", p.Name, plain(p.Missing))
			continue
		}
		fmt.Fprintf(s.out, "  %-20s %8d bytes  %s\n", p.Name, p.Bytes, p.What)
	}
	_, err := fmt.Fprintln(s.out, support.Warning)
	return err
}

// askPage gets a path of the page as the host, also an answer that says that nothing is recorded (/readyz).
func askPage(ctx context.Context, cfg *config.Config, path string) ([]byte, error) {
	client, err := pageClient(cfg)
	if err != nil {
		return nil, err
	}
	defer client.CloseIdleConnections()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, cfg.Page.URL()+path, nil)
	if err != nil {
		return nil, err
	}
	if token, err := os.ReadFile(cfg.TokenFile()); err == nil {
		req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	}
	answer, err := client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("%w at %s: %w", errNoAnswer, cfg.Page.URL(), err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(io.LimitReader(answer.Body, answerLimit))
	if err == nil && answer.StatusCode != http.StatusOK && answer.StatusCode != http.StatusServiceUnavailable {
		err = fmt.Errorf("the daemon answers %s with %s", path, answer.Status)
	}
	return b, err
}
