package main

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"strings"

	"weighpost/gateway"
	"weighpost/gateway/archive"
	"weighpost/gateway/console"
	"weighpost/gateway/logging"
	"weighpost/gateway/screens"
)

type archivePage struct {
	archiveFlags
	Listen string   `default:"127.0.0.1:8468" placeholder:"ADDRESS" help:"Address of this computer for the pages, without encryption: ${default}."`
	Name   []string `placeholder:"HOST" help:"Name under which a proxy of yours serves the pages; may be given several times."`
}

// Help is what the command tells beyond its one line.
func (archivePage) Help() string {
	return `The console's pages over everything that has come to the archive, to be read only: how far each gateway is, what was weighed and what
happened at all sites, and each entry with its proof under the checkpoint that gateway and archive have signed. A database role that may
only read is enough.

The pages ask nobody who they are, and so they answer on this computer alone. For others put a proxy before them that has TLS and has
people sign in, and give its name with --name.

See: weighpost help sites`
}

func (c archivePage) Run(ctx context.Context, s streams) error {
	if !ofThisComputer(c.Listen) {
		return fmt.Errorf("the pages cannot be at %s: they ask nobody who they are. Give --listen an address of this computer alone, such as 127.0.0.1:8468, "+
			"and put a proxy with TLS and sign-in before it", c.Listen)
	}
	return managed(ctx, s, func(ctx context.Context, s streams) error { return c.serve(ctx, s) })
}

// ofThisComputer says whether an address is one of loopback. A name is not: what it leads to is for others to say.
func ofThisComputer(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	ip, notIP := netip.ParseAddr(host)
	return err == nil && (host == "localhost" || notIP == nil && ip.IsLoopback())
}

func (c archivePage) serve(ctx context.Context, s streams) error {
	cfg, err := c.load(s)
	if err != nil {
		return err
	}
	reader, err := archive.OpenReader(ctx, cfg.Database)
	if err != nil {
		return err
	}
	defer reader.Close()
	if err := reader.Ready(ctx); err != nil {
		return err
	}
	log := logging.New(s.err, cfg.Log)
	defer log.Close()
	at := console.Config{Listen: c.Listen, Names: c.Name}
	l, err := console.Listen(ctx, at)
	if err != nil {
		return err
	}
	name, _, _ := strings.Cut(cfg.Cosigns(), "+")
	if name == "" {
		name = "archive"
	}
	sites := screens.NewSites(screens.SitesDeps{Name: name, Version: gateway.Version(), Archive: reader, KeyOf: cfg.KeyOf, Log: log.Logger})
	fmt.Fprintf(s.out, "weighpost archive: the pages are at http://%s/\n", l.Addr())
	return console.NewReading(console.Deps{Site: name, Version: gateway.Version(), Page: at, Log: log.Logger, Screens: sites.Routes(), TurnedAway: sites.TurnedAway}).Serve(ctx, l)
}
