package gateway

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// spaceEvery is how often the space on the journal's disk is looked at. Between two looks the journal itself sees to the
// reserve.
const spaceEvery = 15 * time.Second

// keepSpace watches over the space on the journal's disk.
func (g *Gateway) keepSpace(ctx context.Context) {
	tick := time.NewTicker(spaceEvery)
	defer tick.Stop()
	var growth journal.Growth
	for {
		g.lookAtSpace(&growth, time.Now(), journal.Free)
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// lookAtSpace is one look, at a time and with a way to know what is free.
func (g *Gateway) lookAtSpace(growth *journal.Growth, now time.Time, free func(string) (uint64, error)) {
	cfg := g.now.Load().cfg.Journal
	limits := cfg.Space.WithDefaults()
	g.journal.SetReserve(uint64(limits.Reserve))
	s := console.Space{Reserve: uint64(limits.Reserve)}
	var err error
	if s.Free, err = free(cfg.Folder); err != nil {
		g.log.Warn("the space on the journal's disk is not known", "err", err)
		return
	}
	if size, err := journal.SizeOf(cfg.Folder); err == nil {
		s.Journal = size
		growth.Note(now, size)
	}
	if perDay, known := growth.PerDay(); known {
		whole := uint64(perDay)
		s.PerDay = &whole
	}
	if days, known := growth.Days(s.Free - min(s.Free, s.Reserve)); known {
		whole := uint64(math.Floor(days))
		s.Days = &whole
	}
	g.space.Store(&s)
	g.judgeSpace(cfg.Folder, limits, s)
}

// judgeSpace turns what was seen into a condition.
func (g *Gateway) judgeSpace(folder string, limits journal.SpaceConfig, s console.Space) {
	soon := s.Days != nil && time.Duration(*s.Days)*24*time.Hour < limits.WarnTime.D()
	c := health.Condition{Code: health.SpaceLow, Subject: "journal", Severity: health.Warning}
	switch {
	case s.Free < uint64(limits.Low):
		c.Severity = health.Error
	case s.Free >= uint64(limits.Warn) && !soon:
		g.board.Clear(health.SpaceLow, "journal")
		return
	}
	c.Sentence = fmt.Sprintf("The disk of the journal is getting full: %s are free in %s", journal.Size(s.Free).About(), folder)
	switch {
	case s.Days != nil && *s.Days < 2:
		c.Sentence += ", which at the present rate lasts for less than two days."
	case s.Days != nil:
		c.Sentence += fmt.Sprintf(", which at the present rate lasts for about %d days.", *s.Days)
	default:
		c.Sentence += "; how long that lasts is not known yet."
	}
	c.Remedy = fmt.Sprintf("Free space on this disk, or move the journal to a larger one. With less than %s left recording stops.", limits.Reserve)
	g.board.Raise(c)
}

// recordingNotice is the entry that says that recording stopped or works again. It is asked for by the journal's writer. A
// daemon that is not yet so far that it has a clock says nothing.
func (g *Gateway) recordingNotice(n journal.Notice) record.Body {
	now := g.stamps.Load()
	if now == nil {
		return nil
	}
	e := &record.RecordingState{Stopped: n.Stopped, Cause: n.Cause.Error(), Stamp: now.Stamp(time.Now())}
	if n.Reserve > 0 {
		e.Free, e.Reserve = &n.Free, &n.Reserve
	}
	if !n.Stopped {
		since := now.Stamp(n.Since).UTC
		e.Since = &since
	}
	return e
}

// whyStopped is what a person is told of recording that is stopped.
func whyStopped(folder string, cause error) (sentence, remedy string) {
	var damage *journal.Damaged
	if errors.As(cause, &damage) {
		return fmt.Sprintf("Nothing is recorded: %v.", cause),
			"Stop weighpost, keep the folder as it is, and restore the newest backup into another one. Until then copy weights by hand."
	}
	return fmt.Sprintf("Nothing is recorded: the journal in %s cannot be written (%v).", folder, cause),
		"Free disk space or mend the disk; recording resumes by itself. Until then copy weights by hand."
}

// spaceSeen holds what was last seen.
type spaceSeen = atomic.Pointer[console.Space]
