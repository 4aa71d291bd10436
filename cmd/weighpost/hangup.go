package main

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"weighpost/gateway"
)

// catchHangup has SIGHUP ask for the configuration to be read anew instead of ending the program. Signals that come while
// one waits count as one. Where the system has no such signal, nothing comes.
func catchHangup() (hangups <-chan os.Signal, release func()) {
	c := make(chan os.Signal, 1)
	signal.Notify(c, syscall.SIGHUP)
	return c, func() { signal.Stop(c) }
}

// reloadUntil reads the configuration file anew at each hangup, until ctx ends. begun is called before each and done after,
// whatever came of it. What is wrong with a file the daemon itself says: in its log, as a condition and in the journal.
func reloadUntil(ctx context.Context, g *gateway.Gateway, file string, hangups <-chan os.Signal, log *slog.Logger, begun, done func()) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-hangups:
		}
		begun()
		var refused *gateway.Refused
		if err := g.ReloadFile(ctx, file); err != nil && !errors.As(err, &refused) {
			log.Warn("the configuration was not read anew", "file", file, "why", err)
		}
		done()
	}
}
