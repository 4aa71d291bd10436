package gateway

import (
	"context"
	"fmt"
	"time"

	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
	"weighpost/gateway/samples"
)

// openSamples begins to read which samples are known. Balances are read meanwhile.
func (g *Gateway) openSamples(ctx context.Context) {
	g.samples = samples.New(samples.Options{Dir: g.now.Load().cfg.Journal.Folder, Journal: g.journal, Stamp: g.stamp, Log: g.log})
	var following group
	following.start(ctx, nil, g.samples.Run)
	g.life.onStop("what is known of samples", g.hasty("what is known of samples", following.stop))
}

// shiftEnd gives the first end of a shift after a time, or zero where there are no shifts.
func (g *Gateway) shiftEnd(after time.Time) time.Time {
	var ends []session.TimeOfDay
	for _, text := range g.now.Load().cfg.People.Shifts {
		if at, err := session.ParseTimeOfDay(text); err == nil { // the configuration was validated
			ends = append(ends, at)
		}
	}
	return session.Next(ends, time.Local, after)
}

// Scan takes a code that was scanned for a balance in a page or by a program. The error is as of SetContext.
func (g *Gateway) Scan(ctx context.Context, balance string, s record.ScanRequest) (record.ContextView, error) {
	in, err := g.intakeOf(balance)
	if err != nil {
		return record.ContextView{}, err
	}
	if cause := g.journal.Stopped(); cause != nil {
		return in.Context(), &record.ContextRefused{Why: fmt.Sprintf("Nothing can be recorded now (%v), so the scan was not taken: scan again when recording works.", cause)}
	}
	return in.Scan(ctx, s)
}

// EndPerson ends somebody's context at every balance where they are the one who weighs, and says at how many they were: they signed out,
// or their account was disabled.
func (g *Gateway) EndPerson(id, why string) (n int) {
	for _, b := range g.now.Load().balances {
		if b.intake != nil && b.intake.EndPerson(id, why) {
			n++
		}
	}
	return n
}
