package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/watch"
	"weighpost/parsers/layout"
)

type watchCommand struct {
	Port    string `arg:"" optional:"" help:"A port to watch instead of the daemon: a serial device, tcp://host:port or rfc2217://host:port."`
	URL     string `name:"url" placeholder:"URL" help:"The page of the daemon. By default http://127.0.0.1:8467."`
	Config  string `short:"c" placeholder:"FILE" help:"The daemon's configuration, which says where its page is."`
	JSON    bool   `help:"Print one JSON object a line."`
	Lines   bool   `help:"Print plain lines in a terminal too."`
	Hex     bool   `help:"Show the bytes in hexadecimal. Needs a port: the daemon's stream carries readings."`
	Control bool   `help:"Show control characters by their names, such as <CR>. Needs a port."`
	Layout  string `placeholder:"FILE" help:"Read the port's frames by this layout."`
	portFlags
}

// Help is what the command tells beyond its one line.
func (watchCommand) Help() string {
	return `Without a port: the live stream of the running daemon, what is recorded with its id, what is wrong and what no longer is. It
never keeps the daemon waiting, and leaves out readings in between. With a port: what comes from it, line by line, or by a
layout. Nothing that is watched is recorded by it.

In a terminal the daemon's balances fill the screen, also over SSH: all of them, one with the bytes that it sends, or what is
wrong and what to do; the keys stand below. q ends it. NO_COLOR keeps it without marks, and a locale that is not UTF-8 in ASCII.

Piped, with --lines, with --json, with TERM=dumb, or with a port: one line for each thing that happened, for a person or for a
program. It ends with Ctrl-C, or when nobody reads its output any more. What a balance sends never steers the terminal.`
}

// Validate refuses what does not go together.
func (c watchCommand) Validate() error {
	direct := c.Layout != "" || c.portFlags != portFlags{}
	switch {
	case c.Port == "" && (c.Hex || c.Control):
		return errors.New("--hex and --control show bytes, and the daemon's stream carries readings: name a port")
	case c.Port == "" && direct:
		return errors.New("layout and line settings are for a port: name one")
	case c.URL != "" && c.Config != "":
		return errors.New("--url and --config both say where the page is: give one")
	}
	return nil
}

func (c watchCommand) Run(ctx context.Context, s streams) error {
	page, known, err := c.page()
	if err != nil {
		return err
	}
	if c.Port == "" && !c.JSON && !c.Lines && watch.Fills(s.in, s.out, os.Getenv) {
		ctx, stop := signal.NotifyContext(ctx, syscall.SIGHUP) // the terminal has gone
		defer stop()
		plain, ascii := watch.Marks(os.Getenv)
		daemon := &watch.Daemon{URL: page, TLS: known.pin, Token: known.token}
		return (&watch.Screen{Daemon: daemon, In: s.in.(*os.File), Out: s.out.(*os.File), Plain: plain, ASCII: ascii}).Run(ctx)
	}
	signal.Ignore(syscall.SIGPIPE) // a reader that has gone is an answer of the write, not the end of the program
	out := watch.NewPrinter(s.out, watch.Style{JSON: c.JSON, Hex: c.Hex, Control: c.Control})
	if c.Port == "" {
		err = (&watch.Daemon{URL: page, TLS: known.pin, Token: known.token}).Run(ctx, out.Print)
	} else {
		err = c.port(ctx, s, page, known, out)
	}
	if errors.Is(err, watch.ErrGone) {
		return nil
	}
	return err
}

func (c watchCommand) port(ctx context.Context, s streams, page string, known knownPage, out *watch.Printer) error {
	p := watch.Port{
		Config: c.at(c.Port),
		Busy: func(ctx context.Context) string {
			if balance := watch.Holder(ctx, page, known.pin, known.token, c.Port); balance != "" {
				return watch.HeldWords(c.Port, balance)
			}
			return ""
		},
	}
	if c.Layout != "" {
		src, err := config.ReadFile(c.Layout)
		if err != nil {
			return fmt.Errorf("the layout cannot be read: %w", err)
		}
		if p.Layout, err = layout.Parse(c.Layout, src); err != nil {
			fmt.Fprintln(s.err, err)
			return fmt.Errorf("the layout %s has mistakes: mend the lines above", c.Layout)
		}
	}
	return p.Run(ctx, out.Print)
}

// knownPage is what a page is known by, and who asks it.
type knownPage struct {
	pin   *tls.Config // nil: as the system's authorities vouch for it
	token string      // the host's, where this user may read it; "": a visitor asks
}

// page is where the daemon's page is.
func (c watchCommand) page() (string, knownPage, error) {
	switch {
	case c.URL != "":
		return c.URL, knownPage{}, nil
	case c.Config != "":
		cfg, err := config.LoadFile(c.Config)
		if err != nil {
			return "", knownPage{}, fmt.Errorf("where the page is cannot be read: %w", err)
		}
		pin, err := pageTLS(cfg)
		token, _ := os.ReadFile(cfg.TokenFile()) // a visitor may see enough
		return cfg.Page.URL(), knownPage{pin, strings.TrimSpace(string(token))}, err
	}
	return console.Config{}.URL(), knownPage{}, nil
}
