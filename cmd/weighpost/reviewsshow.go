package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

type reviewsShow struct {
	hostFlags
	OnRun string `arg:"" name:"run" help:"Id of the run, such as r-7qx3-000017."`
	JSON  bool   `help:"Print everything that is known of it as one JSON object, with the entries themselves."`
}

func (reviewsShow) Help() string {
	return `Its last entry is what --seen of the commands that act on it takes: where the run changed since, nothing is done.

` + reviewsCaution
}

func (c reviewsShow) Run(ctx context.Context, s streams) error {
	var v console.ReviewView
	if err := c.askRuns(ctx, http.MethodGet, "runs/"+pathPart(c.OnRun)+"/review", nil, &v); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(v)
	}
	return printReview(s.out, &v)
}

// printReview prints what is known of a run for people; what there is not is left out.
func printReview(out io.Writer, v *console.ReviewView) error {
	all := known{out: out, wide: 16}
	line := all.line
	line("run", v.ID)
	line("procedure", fmt.Sprintf("%s v%d, %s", v.Procedure.Name, v.Procedure.Version, v.Title))
	line("state", v.State)
	line("verdict", v.Verdict)
	line("performed by", v.By.Shown())
	if v.Ended != nil {
		line("ended", stampText(*v.Ended))
	}
	for _, i := range v.Items {
		line("about", signature.Item(i))
	}
	line("flags", strings.Join(v.Flags, ", "))
	for _, a := range v.Assessed {
		line("under assessment", fmt.Sprintf("the failed check %s of balance %s throws doubt on %d weighings", a.Check, a.Balance, len(a.Weighings)))
	}
	if v.Other != "" {
		line("replaced by", v.Other)
	}
	for _, r := range v.First {
		line("found first", resultText(&r))
	}
	if len(v.Corrections) > 0 {
		for _, r := range v.Run.Results {
			line("as it stands", resultText(&r))
		}
	}
	err := reviewWeighings(line, v)
	reviewHistory(line, v)
	line("last entry", fmt.Sprintf("%d, for --seen", v.Last))
	return cmp.Or(err, all.err())
}

// resultText is a result in one line.
func resultText(r *record.RunResult) string {
	text := cmp.Or(r.Label, r.Name) + ": " + cmp.Or(strings.TrimSpace(r.Digits+" "+r.Unit), r.Text, "no value") + ", " + cmp.Or(r.Verdict, "not judged")
	if r.Item != nil {
		text += ", " + signature.Item(*r.Item)
	}
	if r.Limit != "" {
		text += ", limit " + r.Limit
	}
	if r.Missing != "" {
		text += " (" + r.Missing + ")"
	}
	return text
}

// reviewWeighings prints all that was weighed for a run, with the ids by which it is corrected, and how the balances were.
func reviewWeighings(line func(name, text string), v *console.ReviewView) error {
	for _, text := range v.Weighed {
		var w record.Weighing
		if err := json.Unmarshal(text, &w); err != nil {
			return fmt.Errorf("a weighing of the run cannot be read: %w", err)
		}
		said := fmt.Sprintf("%s  %s  %s on %s", w.ID, stampText(w.Stamp.UTC), w.Value.Shown(), w.Balance.ID)
		if slices.ContainsFunc(v.Excluded, func(e record.EntryRef) bool { return e.ID == w.ID }) {
			said += ", EXCLUDED"
		}
		line("weighing", said)
	}
	for _, l := range v.Slips {
		line("slip", fmt.Sprintf("%s  %s  %s on %s", l.ID, stampText(l.Weighed), l.Value.Shown(), l.Balance.ID))
	}
	for _, b := range v.Balances {
		line("balance", fmt.Sprintf("%s, %s while it weighed", b.ID, strings.Join(b.States, ", ")))
	}
	return nil
}

// reviewHistory prints what was done to a run since its steps were done.
func reviewHistory(line func(name, text string), v *console.ReviewView) {
	for _, c := range v.Corrections {
		text := c.Change + " " + c.Of.ID
		if c.Before != "" || c.After != "" {
			text += fmt.Sprintf(", %s from %q to %q", cmp.Or(c.Field, "value"), c.Before, c.After)
		}
		text += fmt.Sprintf(", by %s on %s: %s (%s)", c.By.Shown(), stampText(c.Stamp.UTC), c.Reason, c.Comment)
		if c.Ref != "" {
			text += ", investigation " + c.Ref
		}
		line("corrected", text)
	}
	for _, a := range v.Acts {
		text := fmt.Sprintf("%s by %s on %s, from %s to %s", a.Act, a.By.Shown(), stampText(a.Stamp.UTC), a.From, a.To)
		if a.Reason != "" {
			text += ": " + a.Reason
		}
		line("done", text)
	}
	for _, s := range v.Signatures {
		text := signature.Shown(s.Signature) + ", in force"
		if !s.InForce {
			text = signature.Shown(s.Signature) + ", no longer in force: " + s.Over
		}
		line("signature", text)
	}
	for _, d := range v.Deliveries {
		line("delivery", strings.TrimSuffix(fmt.Sprintf("%s at %s: %s, %s", d.Entry.ID, d.Destination, d.State, d.Why), ", "))
	}
}
