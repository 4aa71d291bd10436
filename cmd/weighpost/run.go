package main

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/logging"
	"weighpost/gateway/watchdog"
	"weighpost/parsers/strict"
)

type runCommand struct {
	Config    string `required:"" short:"c" placeholder:"FILE" help:"The configuration."`
	LogFormat string `enum:",text,json" default:"" placeholder:"text|json" help:"How the log is written, whatever the configuration says."`
	LogLevel  string `enum:",debug,info,warn,error" default:"" placeholder:"LEVEL" help:"What is logged at the least, whatever the configuration says: debug, info, warn or error."`
}

// stopLimit is how long an orderly end may take. What was received is journalled first. The promise is 5 s for all of it.
const stopLimit = 4500 * time.Millisecond

func (c runCommand) Run(ctx context.Context, s streams) error { return managed(ctx, s, c.daemon) }

// daemon runs until ctx ends.
func (c runCommand) daemon(ctx context.Context, s streams) error {
	cfg, err := c.load(s)
	if err != nil {
		return err
	}
	log := logging.New(s.err, c.logConfig(cfg))
	defer log.Close()
	keepToMemoryLimit(log.Logger)
	manager := watchdog.FindManager(log.Logger)
	supervision := manager.Config()
	var running atomic.Pointer[gateway.Gateway]
	supervision.Ping = func() {
		manager.Ping()
		if g := running.Load(); g != nil {
			manager.Status(g.StatusLine())
		}
	}
	hangups, release := catchHangup()
	defer release()
	g := gateway.New(cfg, gateway.Options{Log: log.Logger, Watchdog: supervision})
	if err := g.Start(ctx); err != nil {
		return err
	}
	running.Store(g)
	cfg = g.Config() // what was adopted, where the file says more
	log.SetLevel(c.logConfig(cfg))
	manager.Ready()
	manager.Status(g.StatusLine())
	fmt.Fprintf(s.out, "weighpost %s at %s: %d balances, %d sinks; page: %s\n",
		gateway.Version(), cfg.Site, len(cfg.Balances), len(cfg.Sinks), g.PageURL())
	if f, made, ok := g.PageCertificate(); ok && made {
		fmt.Fprintf(s.out, "certificate of the page, made here: SHA-256 %s\n", f.Fingerprint)
	}
	reloadUntil(ctx, g, c.Config, hangups, log.Logger, manager.Reloading, func() {
		log.SetLevel(c.logConfig(g.Config()))
		manager.Ready()
		manager.Status(g.StatusLine())
	})
	manager.Stopping()
	limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
	defer cancel()
	return g.Stop(limit)
}

// load reads the configuration, and prints its mistakes.
func (c runCommand) load(s streams) (*config.Config, error) {
	cfg, err := config.LoadFile(c.Config)
	if faults := (strict.Faults)(nil); errors.As(err, &faults) {
		fmt.Fprintln(s.err, faults)
		return nil, fmt.Errorf("the configuration %s has mistakes: mend the lines above", c.Config)
	}
	return cfg, err
}

// logConfig is how the log is written: the command line counts more than the file.
func (c runCommand) logConfig(cfg *config.Config) logging.Config {
	log := cfg.Log
	if c.LogFormat != "" {
		log.Format = c.LogFormat
	}
	if c.LogLevel != "" {
		log.Level = c.LogLevel
	}
	return log
}
