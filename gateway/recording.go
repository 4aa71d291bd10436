package gateway

import (
	"context"
	"fmt"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/refusals"
)

func (g *Gateway) openJournal(ctx context.Context) error {
	cfg := g.now.Load().cfg
	j, err := journal.Open(ctx, journal.Options{
		Dir: cfg.Journal.Folder, Site: cfg.Site, OnState: g.recordingState, Log: g.log,
		Reserve: uint64(cfg.Journal.Space.WithDefaults().Reserve), Notice: g.recordingNotice,
	})
	if err != nil {
		return err
	}
	g.journal = j
	g.tellMoved(j.Begun())
	g.superviseJournal(cfg.Journal.Folder)
	g.life.onStop("the journal", within(j.Close))
	g.openIndex()
	g.openAnswers()
	return nil
}

// tellMoved tells people of a journal that woke up on another computer, until the next start.
func (g *Gateway) tellMoved(r *record.Restored) {
	if r == nil {
		return
	}
	g.board.Raise(health.Condition{
		Code: health.JournalMoved, Subject: "journal", Severity: health.Notice,
		Sentence: fmt.Sprintf("The journal was last written on another computer. Here it goes on as incarnation %s (it was %s), so that no id is "+
			"given twice.", r.Incarnation, r.Predecessor.Incarnation),
		Remedy: "If the disk was moved, nothing is to be done. If it was copied, see that only one of the two computers records these balances.",
	})
}

// openClock begins to stamp, and notes that the daemon began. The time servers are asked meanwhile: until they agree, stamps
// say unchecked.
func (g *Gateway) openClock(ctx context.Context) (err error) {
	if g.clock, err = clock.New(g.now.Load().cfg.Clock, clock.Deps{
		Recorder: g.journal, Health: g.board, Log: g.log, Head: g.journal.Head,
	}); err != nil {
		return err
	}
	g.stamps.Store(g.clock)
	if err := g.noteStart(ctx); err != nil {
		return fmt.Errorf("the journal opened and does not record: %w", err)
	}
	g.life.onStop("the log of this run", sparing(forJournal, g.noteStop))
	var checking group
	checking.start(ctx, nil, func(ctx context.Context) {
		if err := g.clock.Run(ctx); err != nil {
			g.log.Error("the clock ended with a fault", "err", err)
		}
	})
	g.life.onStop("the clock", checking.stop)
	g.refusals = refusals.New(g.journal, g.stamp, g.log)
	var noting group
	noting.start(ctx, nil, g.refusals.Run)
	g.life.onStop("the entries of refused acts", noting.stop)
	g.openSamples(ctx)
	g.openReports(ctx)
	g.openFitness(ctx)
	g.openRuns(ctx)
	g.openReviews(ctx)
	return nil
}

// noteStart appends that the daemon began, and by which configuration. A balance whose id belongs to another one is no part
// of that.
func (g *Gateway) noteStart(ctx context.Context) error {
	now := g.now.Load()
	known := g.roster // as holdAdopted has read it
	balances := g.holdBack(describe(now.cfg.Balances))
	g.roster = known.With(balances, now.software.Config, now.cfg.Redacted())
	g.roster.Secrets = secretPlaces(known.Secrets, now.cfg)
	stamp := g.stamp()
	by := &record.Actor{By: record.ActorHost, Where: "start"}
	entry := &record.Configured{
		From: known.Hash, Changes: []string{}, Layouts: now.cfg.LayoutTexts(), BalanceLayouts: now.cfg.BalanceLayouts(), By: by, Stamp: stamp,
	}
	if known.Config != nil {
		differences, err := config.Diff(known.Config, now.cfg.Redacted())
		if err != nil {
			g.log.Warn("what changed since the last start is not known", "err", err)
		}
		for _, d := range differences {
			entry.Changes = append(entry.Changes, d.String())
		}
	}
	front := []record.Body{&record.Lifecycle{Started: true, Software: now.software, Balances: balances, Stamp: stamp}}
	w := g.sifted.now
	front = append(front, g.foundAtStart(entry, w)...)
	if err := g.roster.Record(ctx, g.journal, entry, front...); err != nil {
		return err
	}
	g.forgetNote()
	g.taken.Store(g.roster.Central)
	g.showWaiting(w)
	return nil
}

// noteStop appends that the daemon ended.
func (g *Gateway) noteStop(ctx context.Context) error {
	_, err := g.journal.Append(ctx, &record.Lifecycle{Software: g.now.Load().software, Stamp: g.stamp()})
	return err
}

// stamp is the present moment.
func (g *Gateway) stamp() record.Stamp { return g.clock.Stamp(time.Now()) }

// recordingState turns what the journal says of itself, and logs itself, into a condition.
func (g *Gateway) recordingState(stopped bool, cause error) {
	if !stopped {
		g.board.Clear(health.RecordingStopped, "journal")
		return
	}
	sentence, remedy := whyStopped(g.now.Load().cfg.Journal.Folder, cause)
	g.board.Raise(health.Condition{
		Code: health.RecordingStopped, Subject: "journal", Severity: health.Error, Sentence: sentence, Remedy: remedy,
	})
}
