package main

import (
	"context"
	"net/http"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// corrector is who corrects a run.
type corrector struct {
	reviewer
	Of      string `arg:"" name:"entry" help:"Id of the entry that it is about, as weighpost reviews show has them."`
	Reason  string `required:"" placeholder:"REASON" help:"One of the lab's list (review: reasons), such as 'balance disturbed'."`
	Comment string `required:"" placeholder:"TEXT" help:"What happened, in words of your own."`
	Ref     string `placeholder:"REFERENCE" help:"The reference of an investigation: needed where a value outside its limits goes away by it."`
}

func (corrector) Help() string {
	return `What was recorded stays as it is. The results are worked out anew, and both are in the entry; a run that was signed needs review again.

` + reviewsCaution
}

func (c *corrector) corrects(ctx context.Context, s streams, change console.RunCorrection) error {
	change.Of, change.Reason, change.Comment, change.Ref, change.Seen = c.Of, c.Reason, c.Comment, c.Ref, c.Seen
	var v console.ReviewView
	err := c.asks(ctx, s, func(ask asking) error {
		return ask(ctx, deed{Method: http.MethodPost, Path: c.path("/corrections"), Body: console.CorrectionDeed{RunCorrection: change, By: c.name()}, Answer: &v})
	})
	if err != nil {
		return err
	}
	return c.done(s, &v)
}

type reviewsExclude struct{ corrector }

func (c reviewsExclude) Run(ctx context.Context, s streams) error {
	return c.corrects(ctx, s, console.RunCorrection{Change: record.CorrectExclude})
}

type reviewsInclude struct{ corrector }

func (c reviewsInclude) Run(ctx context.Context, s streams) error {
	return c.corrects(ctx, s, console.RunCorrection{Change: record.CorrectInclude})
}

type reviewsAmend struct {
	corrector
	Field  string `arg:"" help:"What of it: sample, lot, person, method, container, or the name of a field of its own."`
	After  string `arg:"" help:"What it should have said."`
	Before string `placeholder:"TEXT" help:"What it says now: needed for the beginning of a run of several things."`
}

func (c reviewsAmend) Run(ctx context.Context, s streams) error {
	return c.corrects(ctx, s, console.RunCorrection{Change: record.CorrectAmend, Field: c.Field, Before: c.Before, After: c.After})
}

type reviewsReread struct {
	corrector
	Layout string `arg:"" help:"Hash of the layout that reads it: sha256:…"`
}

func (c reviewsReread) Run(ctx context.Context, s streams) error {
	return c.corrects(ctx, s, console.RunCorrection{Change: record.CorrectReread, Layout: c.Layout})
}
