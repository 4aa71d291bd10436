package gateway

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// ErrStopping is what Reload returns once Stop was called.
var ErrStopping = errors.New("weighpost is stopping: the configuration is read anew at the next start")

// Refused says why a configuration was not taken. Everything goes on as before.
type Refused struct {
	File string // "" where it is not known
	Err  error
}

// Error is a sentence without its full stop.
func (r *Refused) Error() string {
	file := r.File
	if file != "" {
		file = " " + file
	}
	return fmt.Sprintf("the configuration%s was not taken, and nothing has changed: %v", file, r.Err)
}

func (r *Refused) Unwrap() error { return r.Err }

// reloadLimit is how long a reload waits for what it ends. A sink that does not get an answer ends within 10 s.
const reloadLimit = 20 * time.Second

// ReloadFile reads a configuration from a file and makes it the one that holds, or refuses it as Reload does.
func (g *Gateway) ReloadFile(ctx context.Context, path string) error {
	if err := g.takeTurn(ctx); err != nil {
		return err
	}
	defer g.giveTurn()
	cfg, err := config.LoadFile(path)
	if err != nil {
		return g.refuse(ctx, path, err, reloading())
	}
	return g.reload(ctx, cfg)
}

// Reload makes cfg the configuration that holds. All that is new is prepared before anything that runs is touched: until
// then an error, of type *Refused, means that nothing has changed, and is also logged, a condition and an entry. Ports and
// sinks that did not change are left alone. One reload runs at a time, and none once Stop was called (ErrStopping). It
// returns when the configuration holds. A cfg that another Gateway runs by may be given, one that was changed after it was
// loaded may not. What of it waits for a person, by the policy that is in force, does not hold then, which is no error.
func (g *Gateway) Reload(ctx context.Context, cfg *config.Config) error {
	if err := g.takeTurn(ctx); err != nil {
		return err
	}
	defer g.giveTurn()
	return g.reload(ctx, cfg)
}

func (g *Gateway) reload(ctx context.Context, cfg *config.Config) error {
	effective, w := sift(cfg, g.now.Load().cfg)
	by := reloading()
	if w != nil {
		w.goesOn(g.waits.Load(), *by, "", g.stamp().UTC)
	}
	_, err := g.change(ctx, effective, w, order{by: by})
	g.pullNow()
	return err
}

// order says who has a configuration changed, and how.
type order struct {
	by      *record.Actor
	reason  string
	adopted string          // id of the change that waited and is adopted with it
	decided string          // id of a change of which front tells what became of it
	asked   bool            // through the page, which has to answer before it moves
	front   []record.Body   // goes before the entry, in the same commit
	central *record.Central // the signed file that is taken with it
	// write is called once all is prepared and before it is recorded. undo puts back what it has done.
	write func() (undo func(), err error)
}

// change makes a configuration hold of which nothing waits any more, and notes what goes on waiting. An error of type *Refused
// means that nothing has changed.
func (g *Gateway) change(ctx context.Context, cfg *config.Config, w *waiting, o order) (*record.Configured, error) {
	c, err := g.prepare(ctx, cfg)
	if err != nil {
		return nil, g.refuseOrder(ctx, cfg.File(), err, o)
	}
	if o.central != nil {
		c.roster.Central = o.central
	}
	c.entry.By, c.entry.Reason, c.entry.Adopted, c.entry.Waiting = o.by, o.reason, o.adopted, w.kept()
	before := g.waits.Load()
	front := append(w.entries(before, cfg, o.decided, o.by, c.entry.Stamp), o.front...)
	undo := func() {}
	if o.write != nil {
		if undo, err = o.write(); err != nil {
			c.discard()
			return nil, err
		}
	}
	ctx = context.WithoutCancel(ctx) // from here on it is done as a whole
	limit, cancel := context.WithTimeout(ctx, reloadLimit)
	defer cancel()
	if err := c.roster.Record(limit, g.journal, c.entry, front...); err != nil {
		c.discard()
		undo()
		return nil, g.refuseOrder(ctx, cfg.File(), fmt.Errorf("the change cannot be recorded: %w", err), o)
	}
	if o.write != nil {
		g.forgetNote()
	}
	c.pageLater = o.asked
	g.carryOut(ctx, limit, c)
	g.roster = c.roster
	g.taken.Store(g.roster.Central)
	g.reloaded.Store(&Reloaded{At: c.entry.Stamp.UTC, Times: g.reloaded.Load().Times + 1, Refused: g.reloaded.Load().Refused})
	g.board.Clear(health.ConfigurationRefused, "configuration")
	g.showWaiting(w)
	said := "the configuration was changed"
	if len(c.entry.Changes) == 0 {
		said = "the configuration was read, and nothing of it has changed"
	}
	g.log.Info(said, "file", cfg.File(), "hash", c.next.software.Config, "changes", strings.Join(c.entry.Changes, "; "))
	return c.entry, nil
}

// takeTurn waits until no other reload runs.
func (g *Gateway) takeTurn(ctx context.Context) error {
	select {
	case <-g.stopping:
		return ErrStopping
	default:
	}
	select {
	case <-g.turn:
		return nil
	case <-g.stopping:
		return ErrStopping
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (g *Gateway) giveTurn() { g.turn <- struct{}{} }

// noMoreReloads waits until a reload that runs has ended, as long as ctx allows, and keeps the turn.
func (g *Gateway) noMoreReloads(ctx context.Context) {
	first := false
	g.stopOnce.Do(func() { close(g.stopping); first = true })
	if !first || !g.started.Load() {
		return
	}
	select {
	case <-g.turn:
	case <-ctx.Done():
	}
}

// refuseOrder is refuse, but for a signed file that was pulled: the pull itself says of it, fewer times than it comes.
func (g *Gateway) refuseOrder(ctx context.Context, file string, why error, o order) error {
	if o.central != nil {
		return &Refused{File: file, Err: firstFaults(why)}
	}
	return g.refuse(ctx, file, why, o.by)
}

// refuse says loudly that a configuration was not taken, and why. It gives the error to return.
func (g *Gateway) refuse(ctx context.Context, file string, why error, by *record.Actor) error {
	refused := &Refused{File: file, Err: firstFaults(why)}
	g.log.Error("the configuration was refused", "file", file, "why", why)
	now := g.now.Load()
	last := g.reloaded.Load()
	stamp := g.stamp()
	g.reloaded.Store(&Reloaded{At: stamp.UTC, Why: refused.Err.Error(), Times: last.Times, Refused: last.Refused + 1})
	g.board.Raise(health.Condition{
		Code: health.ConfigurationRefused, Subject: "configuration", Severity: health.Warning,
		Sentence: strings.ToUpper(refused.Error()[:1]) + refused.Error()[1:] + ".",
		Remedy: "Mend what the sentence names; `weighpost validate config` lists every mistake in a file. Then reload once more. " +
			"Until then weighpost goes on as it was configured before, and at a restart it reads the file anew.",
	})
	limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	hash := now.software.Config
	_, err := g.journal.Append(limit, &record.Configured{From: hash, To: hash, Changes: []string{}, Refused: refused.Error(), By: by, Stamp: stamp})
	if err != nil {
		g.log.Error("the refused configuration is not in the journal", "err", err)
	}
	return refused
}

// firstFaults keeps the first mistakes of many, on one line.
func firstFaults(err error) error {
	const most = 3
	var faults strict.Faults
	if !errors.As(err, &faults) {
		return err
	}
	var lines []string
	for _, f := range faults[:min(len(faults), most)] {
		lines = append(lines, f.Error())
	}
	if more := len(faults) - most; more > 0 {
		lines = append(lines, fmt.Sprintf("and %d more", more))
	}
	return errors.New(strings.Join(lines, "; "))
}

// Reloaded says how the last reload ended.
type Reloaded struct {
	At      record.UTC // zero: there was none
	Why     string     // where it was refused
	Times   uint64     // reloads since the start that were carried out
	Refused uint64     // and those that were not
}

// LastReload may be called from any goroutine.
func (g *Gateway) LastReload() Reloaded { return *g.reloaded.Load() }

// reloading is who has a configuration loaded while weighpost runs: somebody on this computer, by a signal that does not say who.
func reloading() *record.Actor { return &record.Actor{By: record.ActorHost, Where: "reload"} }
