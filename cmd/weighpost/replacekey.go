package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

type journalReplaceKey struct {
	hostFlags
	Reason      string `required:"" placeholder:"TEXT" help:"How the signing key was lost."`
	By          string `required:"" placeholder:"NAME" help:"Who says so."`
	ConfirmedBy string `required:"" placeholder:"NAME" help:"A second person who confirms it."`
	JSON        bool   `help:"Print one JSON object."`
}

// Help is what the command tells beyond its one line.
func (journalReplaceKey) Help() string {
	return `For a journal whose file key is gone or spoilt and is in no backup. The daemon must be stopped; without the key it does not
start anyway. A new key is made, and an entry says why, and which two people say so. They are recorded as they are named here.

No key vouches for the new one: every later report of journal verify says so. Keep the new key.pub elsewhere, as you did with
the one before. A key that is there is not replaced: only one of a restore that no second person has confirmed yet.`
}

func (c journalReplaceKey) Run(ctx context.Context, s streams) error {
	cfg, err := config.LoadFile(c.Config)
	if err != nil {
		return fmt.Errorf("the configuration %s has mistakes (weighpost validate config tells them): %w", c.Config, err)
	}
	if journal.InUse(cfg.Journal.Folder) {
		return fmt.Errorf("the journal in %s is in use: stop the weighpost that writes it, and run this again", cfg.Journal.Folder)
	}
	if err := sameOwner(cfg.Journal.Folder); err != nil {
		return err
	}
	public, err := journal.ReplaceLostKey(ctx, journal.Options{Dir: cfg.Journal.Folder, Site: cfg.Site}, journal.LostKeyOrder{
		By: saidBy(c.By), ConfirmedBy: saidBy(c.ConfirmedBy), Reason: c.Reason, Stamp: clock.System{}.Stamp(time.Now()),
	})
	if err != nil {
		return err
	}
	key, err := proof.ParseKey(public)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(struct {
			Key    string `json:"key"`
			Public string `json:"public_key"`
		}{proof.KeyID(key), public})
	}
	_, err = fmt.Fprintf(s.out, "The journal in %s now signs with %s.\nKeep its key.pub elsewhere: %s\n", cfg.Journal.Folder, proof.KeyID(key), public)
	return err
}

// saidBy is a person as they were named at this command. Who typed it goes along.
func saidBy(name string) record.Actor {
	typist := hostActor("")
	return record.Actor{ID: name, By: record.ActorHost, Where: "command line, by the user " + typist.ID}
}
