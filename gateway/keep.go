package gateway

import "context"

// keeper is one piece of work that looks after the journal while it is written: it runs until ctx ends. What it is told by
// the configuration it takes from g.now at each round, so that a reload needs no more.
type keeper struct {
	name string
	run  func(g *Gateway, ctx context.Context)
}

// keepers run from after the sinks have started until before they end, each in a goroutine of its own.
var keepers = []keeper{
	{"space", (*Gateway).keepSpace},
	{"verifying", (*Gateway).keepVerified},
	{"the search index", (*Gateway).keepIndex},
	{"outside time-stamps", (*Gateway).keepTimestamps},
	{"backups", (*Gateway).keepBackups},
	{"sealing", (*Gateway).keepSealing},
	{"files with requests", (*Gateway).keepDropped},
	{"central settings", (*Gateway).keepCentral},
}

// keepJournal starts the keepers.
func (g *Gateway) keepJournal(ctx context.Context) error {
	var keeping group
	for _, k := range keepers {
		keeping.start(ctx, nil, func(ctx context.Context) {
			k.run(g, ctx)
			g.log.Debug("ended", "work", k.name)
		})
	}
	g.life.onStop("the care of the journal", keeping.stop)
	return nil
}
