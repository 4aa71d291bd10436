package gateway

import (
	"context"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/intake"
	"weighpost/gateway/watchdog"
)

// superviseParts begins to look after the parts that the other steps of the start add. Deliveries are none of them: a
// destination that is slow or hangs is a condition of its own, and no reason to start the daemon again.
func (g *Gateway) superviseParts(ctx context.Context) error {
	g.supervising.start(ctx, nil, g.watch.Run)
	g.supervising.start(ctx, nil, g.stalls.Run)
	g.life.onStop("the supervision of the parts", g.supervising.stop)
	return nil
}

// superviseJournal looks after the journal's writer. Once closed it counts as alive.
func (g *Gateway) superviseJournal(folder string) {
	g.watch.Add(watchdog.Part{Alive: g.journal.Alive, Stuck: health.Condition{
		Code: health.RecordingStuck, Subject: "journal", Severity: health.Error,
		Sentence: fmt.Sprintf("Nothing is recorded: writing the journal in %s has stood still for longer than %s.", folder, g.patience()),
		Remedy: "The disk does not answer: see its cable, its space and the system's log. A service is restarted by itself; " +
			"otherwise restart weighpost once the disk answers. Until then copy weights by hand.",
	}})
}

// superviseBalance looks after a balance's pipeline until the returned function is called.
func (g *Gateway) superviseBalance(id string, pipeline *intake.Intake) (end func()) {
	return g.watch.Add(watchdog.Part{Alive: pipeline.Alive, Cause: health.RecordingStuck, Stuck: health.Condition{
		Code: health.BalanceStuck, Subject: id, Severity: health.Error,
		Sentence: fmt.Sprintf("Balance %s is not read: its port or its pipeline has stood still for longer than %s.", id, g.patience()),
		Remedy: "Pull out the adapter and plug it in again. A service is restarted by itself; otherwise restart weighpost. " +
			"Copy this balance's weights by hand meanwhile.",
	}})
}

// patience is how long a part may stand still.
func (g *Gateway) patience() time.Duration {
	if g.options.Watchdog.Limit > 0 {
		return g.options.Watchdog.Limit
	}
	return watchdog.DefaultLimit
}

// StatusLine says in one line how the daemon is, once started: for the service manager.
func (g *Gateway) StatusLine() string {
	up, balances := 0, g.Balances()
	for _, b := range balances {
		if b.PortUp {
			up++
		}
	}
	line := fmt.Sprintf("%d of %d balances connected, %d sinks", up, len(balances), len(g.Sinks()))
	conditions := g.Conditions()
	if len(conditions) == 0 {
		return "Recording: " + line + "."
	}
	line += fmt.Sprintf("; %d conditions, the first: %s", len(conditions), conditions[0].Sentence)
	return strings.Join(strings.Fields(line), " ")
}
