package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
)

type runCommand struct {
	Config  string `required:"" short:"c" placeholder:"FILE" help:"The configuration."`
	LogJSON bool   `name:"log-json" help:"Write the log as JSON lines."`
	Verbose bool   `short:"v" help:"Log more."`
}

// stopLimit is how long an orderly end may take. What was received is journalled first.
const stopLimit = 10 * time.Second

func (c runCommand) Run(ctx context.Context, s streams) error {
	src, err := os.ReadFile(c.Config)
	if err != nil {
		return fmt.Errorf("the configuration cannot be read: %w", err)
	}
	cfg, faults := config.Load(c.Config, src)
	if len(faults) > 0 {
		fmt.Fprintln(s.err, faults)
		return fmt.Errorf("the configuration %s has mistakes: mend the lines above", c.Config)
	}
	g := gateway.New(cfg, gateway.Options{Log: c.log(s)})
	if err := g.Start(ctx); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "weighpost %s at %s: %d balances, %d sinks; page: %s\n",
		gateway.Version(), cfg.Site, len(cfg.Balances), len(cfg.Sinks), g.PageURL())
	<-ctx.Done()
	limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
	defer cancel()
	return g.Stop(limit)
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
