package gateway

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// How long the verifier waits after something went wrong with it, and how often it looks whether its time has come.
const verifyAgain, verifyLook = time.Minute, 5 * time.Second

// keepVerified verifies the whole journal again and again, a little at a time. Damage stops recording.
func (g *Gateway) keepVerified(ctx context.Context) {
	for {
		began := time.Now()
		wait := func() time.Duration { return g.verifying().Every.D() - time.Since(began) }
		halted, err := g.verifyOnce(ctx)
		switch {
		case ctx.Err() != nil || halted:
			return
		case err != nil:
			g.log.Warn("the journal could not be verified in the background", "err", err)
			wait = func() time.Duration { return verifyAgain - time.Since(began) }
		}
		for left := wait(); left > 0; left = wait() { // again and again: a reload may shorten it
			select {
			case <-time.After(min(left, verifyLook)):
			case <-ctx.Done():
				return
			}
		}
	}
}

func (g *Gateway) verifying() journal.VerifyConfig {
	return g.now.Load().cfg.Journal.Verify.WithDefaults()
}

// verifyOnce is one pass. It says whether recording was stopped for good.
func (g *Gateway) verifyOnce(ctx context.Context) (halted bool, err error) {
	seen := console.Verified{}
	if before := g.verified.Load(); before != nil {
		seen = *before
	}
	began := record.UTC(time.Now().UTC())
	seen.Began = &began
	r, err := g.journal.VerifySlowly(ctx, func() int { return g.verifying().Share }, func(entries uint64) {
		now := seen
		now.Reached = entries
		g.verified.Store(&now)
	})
	if err != nil {
		return false, err
	}
	if !r.Verified {
		g.log.Warn("the journal may be damaged: it is verified again", "fault", r.Faults[0].String())
		fault, err := g.journal.Confirm(ctx)
		if err != nil || fault == nil {
			return false, err
		}
		return true, g.haltFor(ctx, *fault)
	}
	at := g.stamp().UTC
	g.verified.Store(&console.Verified{Entries: r.Entries, At: &at})
	return false, g.journal.NoteVerified(ctx, journal.Background{Entries: r.Entries, At: at.Time()})
}

// haltFor stops recording because of damage, with an entry that says so where that can still be recorded.
func (g *Gateway) haltFor(ctx context.Context, f journal.Fault) error {
	entry := &record.Damage{What: f.What, Entry: f.Seq, Where: f.Where, Stamp: g.stamp()}
	if f.Seq > 0 {
		entry.Verified = f.Seq - 1
	}
	seen := console.Verified{}
	if before := g.verified.Load(); before != nil {
		seen = *before
	}
	seen.Damage = f.String()
	g.verified.Store(&seen)
	if err := g.journal.Halt(ctx, &journal.Damaged{Dir: g.now.Load().cfg.Journal.Folder, What: f.String()}, entry); err != nil {
		return fmt.Errorf("recording is stopped because of damage, which could not be recorded: %w", err)
	}
	return nil
}

// verifiedSeen holds how far the journal was verified.
type verifiedSeen = atomic.Pointer[console.Verified]
