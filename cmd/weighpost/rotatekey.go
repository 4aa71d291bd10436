package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

type journalRotateKey struct {
	hostFlags
	Reason string `required:"" placeholder:"TEXT" help:"Why, for whoever reads the journal later."`
	By     string `placeholder:"NAME" help:"Who does this. By default the system's user."`
	JSON   bool   `help:"Print what was done as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (journalRotateKey) Help() string {
	return `Makes a new key, lets the old one sign for it, and adds an entry that says who changed it and why. Checkpoints that cover
that entry are signed by the new key. Whoever holds an earlier public key can still verify: journal verify and proofs lead from
it to the new one. Keep the new public key elsewhere as well.

Goes through the running daemon, and where none runs opens the journal itself. For a key that is lost: replace-key.`
}

func (c journalRotateKey) Run(ctx context.Context, s streams) error {
	order := record.KeyOrder{Reason: c.Reason, By: hostActor(c.By)}
	if err := order.Check(); err != nil {
		return err
	}
	var answer record.KeyAnswer
	err := c.act(ctx, deed{
		Method: http.MethodPost, Path: "/api/v1/journal/keys", Answer: &answer,
		Body: map[string]any{"reason": order.Reason, "by": order.By.Shown()},
		Here: func(ctx context.Context, _ *config.Config, j *journal.Journal) (err error) {
			answer, err = gateway.ChangeKeyOf(ctx, j, order, clock.System{}.Stamp(time.Now()))
			return err
		},
	})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(answer)
	}
	_, err = fmt.Fprintf(s.out, "entry %d says that the key was changed. Keep the new public key elsewhere, beside the one before:\n%s\n",
		answer.Seq, plain(answer.New))
	return err
}
