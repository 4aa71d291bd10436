package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

type journalCorrectClock struct {
	hostFlags
	From   uint64          `required:"" placeholder:"SEQ" help:"The first entry whose stamp is wrong."`
	To     uint64          `required:"" placeholder:"SEQ" help:"The last of them."`
	Offset string          `required:"" placeholder:"TIME" help:"What has to be added to the stamps: 3.2s; where they were ahead, with an equals sign: --offset=-3.2s."`
	Bound  strict.Duration `required:"" placeholder:"TIME" help:"How far a corrected stamp may still be off: 0.5s."`
	Reason string          `required:"" placeholder:"TEXT" help:"Why, for whoever reads the journal later."`
	By     string          `placeholder:"NAME" help:"Who does this. By default the system's user."`
	JSON   bool            `help:"Print what was done as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (journalCorrectClock) Help() string {
	return `Adds an entry that says by how much the stamps of a span of entries were wrong. The stamps themselves stay as they were
written; lists and exports show the corrected time beside them. What the clock finds out itself, such as that the computer
started with a wrong time, it corrects on its own: this is for what it cannot know. Where several corrections cover an entry,
the newest counts, so that a mistaken one is mended by another.

Goes through the running daemon, and where none runs opens the journal itself.`
}

func (c journalCorrectClock) Run(ctx context.Context, s streams) error {
	order, err := c.order()
	if err != nil {
		return err
	}
	var answer record.ClockCorrectionAnswer
	err = c.act(ctx, deed{
		Method: http.MethodPost, Path: "/api/v1/journal/clock-corrections", Answer: &answer,
		Body: map[string]any{"from": order.From, "to": order.To, "offset_s": order.Offset, "bound_s": order.Bound, "reason": order.Reason,
			"by": order.By.Shown()},
		Here: func(ctx context.Context, _ *config.Config, j *journal.Journal) (err error) {
			answer, err = clock.CorrectByHand(ctx, j, order, clock.System{}.Stamp(time.Now()))
			return err
		},
	})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(answer)
	}
	_, err = fmt.Fprintf(s.out, "entry %d says that %d stamps, from %s to %s, are corrected by %s s within %s\n",
		answer.Seq, answer.Stamps, answer.FromUTC, answer.ToUTC, order.Offset, c.Bound)
	return err
}

// order reads the flags.
func (c journalCorrectClock) order() (record.ClockCorrection, error) {
	o := record.ClockCorrection{From: c.From, To: c.To, Bound: record.Span(c.Bound.D()), Reason: c.Reason, By: hostActor(c.By)}
	offset, err := time.ParseDuration(c.Offset)
	if err != nil {
		return o, fmt.Errorf("--offset %q is no length of time with its unit, such as 3.2s, -3.2s or 1h", plain(c.Offset))
	}
	o.Offset = record.Offset(offset)
	if err := o.Check(); err != nil {
		return o, fmt.Errorf("no stamp is corrected: %w", err)
	}
	return o, nil
}
