package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// reviewer is who acts on a run, and on which.
type reviewer struct {
	hostFlags
	OnRun string `arg:"" name:"run" help:"Id of the run, such as r-7qx3-000017."`
	Seen  uint64 `required:"" placeholder:"SEQ" help:"The last entry of the run that you saw, as weighpost reviews show says it: where the run changed since, nothing is done."`
	Login string `placeholder:"NAME" help:"Sign in as this person; the secret is asked for. Whatever is signed needs it."`
	By    string `placeholder:"NAME" help:"Who does this, where nobody signs in. By default this system's user."`
	JSON  bool   `help:"Print the run as it then is as one JSON object."`
}

// path is a place of the run below the API.
func (r *reviewer) path(more string) string { return "/api/v1/runs/" + pathPart(r.OnRun) + more }

// asks does something at the daemon, as the person who signs in, or as this system's user.
func (r *reviewer) asks(ctx context.Context, s streams, does func(ask asking) error) error {
	if r.Login != "" {
		return r.asPerson(ctx, s, r.Login, errNoRunsHere, does)
	}
	return does(func(ctx context.Context, d deed) error {
		d.Here = noRunsHere
		return r.act(ctx, d)
	})
}

// name is who acts, where nobody signs in.
func (r *reviewer) name() string {
	if r.Login != "" {
		return ""
	}
	return by(r.By)
}

// done says what the run is now.
func (r *reviewer) done(s streams, v *console.ReviewView) error {
	if r.JSON {
		return json.NewEncoder(s.out).Encode(v)
	}
	_, err := fmt.Fprintf(s.out, "%s is %s, and its last entry %d\n", plain(v.ID), v.State, v.Last)
	return err
}

// acts does something to a run, with a signature where it takes one.
func (r *reviewer) acts(ctx context.Context, s streams, a console.ReviewAct) error {
	a.Seen = r.Seen
	if (a.Act == record.ActReview || a.Act == record.ActApprove) && r.Login == "" {
		return fmt.Errorf("this is signed, and only a person signs: say who you are with --login")
	}
	var v console.ReviewView
	err := r.asks(ctx, s, func(ask asking) error {
		if r.Login != "" {
			if err := r.signs(ctx, s, ask, &a); err != nil {
				return err
			}
		}
		return ask(ctx, deed{Method: http.MethodPost, Path: r.path("/review"), Body: console.ReviewDeed{ReviewAct: a, By: r.name()}, Answer: &v})
	})
	if err != nil {
		return err
	}
	if a.Signing != nil && !r.JSON {
		if err := saySigned(s, &v); err != nil {
			return err
		}
	}
	return r.done(s, &v)
}

type reviewsSubmit struct{ reviewer }

func (reviewsSubmit) Help() string { return signedHelp }

func (c reviewsSubmit) Run(ctx context.Context, s streams) error {
	return c.acts(ctx, s, console.ReviewAct{Act: record.ActSubmit})
}

// reasoned is a reviewer who gives a reason.
type reasoned struct {
	reviewer
	Reason string `required:"" placeholder:"TEXT" help:"Why; it becomes part of the entry that says so."`
	Ref    string `placeholder:"REFERENCE" help:"The reference of an investigation."`
}

func (reasoned) Help() string { return reviewsCaution }

func (r *reasoned) does(ctx context.Context, s streams, act, other string) error {
	return r.acts(ctx, s, console.ReviewAct{Act: act, Reason: r.Reason, Ref: r.Ref, Other: other})
}

type reviewsReturn struct{ reasoned }

func (c reviewsReturn) Run(ctx context.Context, s streams) error {
	return c.does(ctx, s, record.ActReturn, "")
}

// signer is a reviewer who signs, and may say more.
type signer struct {
	reviewer
	Reason string `placeholder:"TEXT" help:"A remark; it becomes part of the entry that says so."`
	Ref    string `placeholder:"REFERENCE" help:"The reference of an investigation."`
}

func (signer) Help() string { return signedHelp }

type reviewsReview struct{ signer }

func (c reviewsReview) Run(ctx context.Context, s streams) error {
	return c.acts(ctx, s, console.ReviewAct{Act: record.ActReview, Reason: c.Reason, Ref: c.Ref})
}

type reviewsApprove struct{ signer }

func (c reviewsApprove) Run(ctx context.Context, s streams) error {
	return c.acts(ctx, s, console.ReviewAct{Act: record.ActApprove, Reason: c.Reason, Ref: c.Ref})
}

type reviewsLook struct{ reviewer }

func (c reviewsLook) Run(ctx context.Context, s streams) error {
	return c.acts(ctx, s, console.ReviewAct{Act: record.ActLook})
}

type reviewsReplace struct {
	reasoned
	Other string `arg:"" help:"Id of the run that stands for it."`
}

func (c reviewsReplace) Run(ctx context.Context, s streams) error {
	return c.does(ctx, s, record.ActReplace, c.Other)
}

type reviewsArchive struct{ reasoned }

func (c reviewsArchive) Run(ctx context.Context, s streams) error {
	return c.does(ctx, s, record.ActArchive, "")
}

type reviewsUnarchive struct{ reasoned }

func (c reviewsUnarchive) Run(ctx context.Context, s streams) error {
	return c.does(ctx, s, record.ActUnarchive, "")
}
