package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/watchdog"
	"weighpost/parsers/strict"
)

type runCommand struct {
	Config  string `required:"" short:"c" placeholder:"FILE" help:"The configuration."`
	LogJSON bool   `name:"log-json" help:"Write the log as JSON lines."`
	Verbose bool   `short:"v" help:"Log more."`
}

// stopLimit is how long an orderly end may take. What was received is journalled first.
const stopLimit = 10 * time.Second

func (c runCommand) Run(ctx context.Context, s streams) error {
	cfg, err := c.load(s)
	if err != nil {
		return err
	}
	log := c.log(s)
	manager := watchdog.FindManager(log)
	supervision := manager.Config()
	var running atomic.Pointer[gateway.Gateway]
	supervision.Ping = func() {
		manager.Ping()
		if g := running.Load(); g != nil {
			manager.Status(g.StatusLine())
		}
	}
	g := gateway.New(cfg, gateway.Options{Log: log, Watchdog: supervision})
	if err := g.Start(ctx); err != nil {
		return err
	}
	running.Store(g)
	manager.Ready()
	manager.Status(g.StatusLine())
	fmt.Fprintf(s.out, "weighpost %s at %s: %d balances, %d sinks; page: %s\n",
		gateway.Version(), cfg.Site, len(cfg.Balances), len(cfg.Sinks), g.PageURL())
	<-ctx.Done()
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

func (c runCommand) log(s streams) *slog.Logger {
	o := &slog.HandlerOptions{Level: slog.LevelInfo}
	if c.Verbose {
		o.Level = slog.LevelDebug
	}
	if c.LogJSON {
		return slog.New(slog.NewJSONHandler(s.err, o))
	}
	return slog.New(slog.NewTextHandler(s.err, o))
}
