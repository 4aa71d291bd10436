package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
)

type configurationCommand struct {
	Show     configurationShow     `cmd:"" help:"Print the settings that hold, without secrets."`
	Pending  configurationPending  `cmd:"" help:"Show the change that waits for a person."`
	Adopt    configurationAdopt    `cmd:"" help:"Adopt the change that waits."`
	TurnDown configurationTurnDown `cmd:"" name:"turn-down" help:"Turn down the change that waits."`

	Key         configurationKey         `cmd:"" help:"Make a pair of keys for signing settings that gateways pull."`
	Sign        configurationSign        `cmd:"" help:"Sign settings, so that gateways pull and take them."`
	Countersign configurationCountersign `cmd:"" help:"Add a second signature to settings that somebody else has signed."`
}

type configurationShow struct{ hostFlags }

// Help is what the command tells beyond its one line.
func (configurationShow) Help() string {
	return `Prints one JSON object in the form of the configuration file. What is as it would be if nothing were written is left out. Where a
part of the file waits for a person, this is what was adopted, not what the file says.`
}

func (c configurationShow) Run(ctx context.Context, s streams) error {
	var doc map[string]any
	err := c.act(ctx, deed{Method: http.MethodGet, Path: "/api/v1/settings", Answer: &doc,
		Here: func(ctx context.Context, cfg *config.Config, j *journal.Journal) (err error) {
			doc, _, _, err = gateway.SettingsAside(ctx, cfg, j)
			return err
		}})
	if err != nil {
		return err
	}
	e := json.NewEncoder(s.out)
	e.SetIndent("", "  ")
	return e.Encode(doc)
}

type configurationPending struct {
	hostFlags
	JSON bool `name:"json" help:"Print one JSON object; {} where nothing waits."`
}

// Help is what the command tells beyond its one line.
func (configurationPending) Help() string {
	return `An edit of the configuration file in a part that changes by adoption only does not hold until somebody has adopted it; the daemon
runs as before. See weighpost help settings.`
}

// pendingBody is what the API answers.
type pendingBody struct {
	Pending *console.PendingSettings `json:"pending,omitempty"`
}

func (c configurationPending) Run(ctx context.Context, s streams) error {
	var answer pendingBody
	err := c.act(ctx, deed{Method: http.MethodGet, Path: "/api/v1/settings/pending", Answer: &answer,
		Here: func(ctx context.Context, cfg *config.Config, j *journal.Journal) (err error) {
			_, _, answer.Pending, err = gateway.SettingsAside(ctx, cfg, j)
			return err
		}})
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(answer)
	}
	_, err = fmt.Fprint(s.out, pendingText(answer.Pending, c.Config))
	return err
}

func pendingText(p *console.PendingSettings, file string) string {
	if p == nil {
		return "no change of settings waits\n"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "change %s waits since %s\n", plain(p.Change), p.Since)
	if p.TurnedDown {
		b.WriteString("it was turned down, and is still in the file\n")
	}
	for _, sentence := range p.Changes {
		b.WriteString("  " + plain(sentence) + "\n")
	}
	var by []string
	for _, a := range p.Proposed {
		who := a.Shown()
		if who == "" {
			who = a.By
		}
		by = append(by, who)
	}
	if len(by) > 0 {
		fmt.Fprintf(&b, "proposed by %s\n", plain(strings.Join(by, ", ")))
	}
	if p.Reason != "" {
		fmt.Fprintf(&b, "because: %s\n", plain(p.Reason))
	}
	fmt.Fprintf(&b, "adopt it:      weighpost configuration adopt %s -c %s --reason … --login …\n", plain(p.Change), plain(file))
	fmt.Fprintf(&b, "turn it down:  weighpost configuration turn-down %s -c %s --reason … --login …\n", plain(p.Change), plain(file))
	return b.String()
}

// decideFlags are those of the two commands that decide.
type decideFlags struct {
	hostFlags
	Change string `arg:"" help:"The change, as weighpost configuration pending shows it: what was seen is what is decided."`
	Reason string `required:"" placeholder:"TEXT" help:"Why, for whoever reads the journal later."`
	Login  string `placeholder:"NAME" help:"Sign in as this person; the secret is asked for, or read from standard input."`
	By     string `placeholder:"NAME" help:"Who does this, where nobody signs in. By default the system's user."`
	JSON   bool   `name:"json" help:"Print what became of it as one JSON object."`
}

type configurationAdopt struct{ decideFlags }

// Help is what the command tells beyond its one line.
func (configurationAdopt) Help() string {
	return `Takes a person who is signed in (--login), with the right to adopt and the right of each part that the change is about. Where
policy says two, it is another one than everybody who has proposed it. Whoever has the host's files alone cannot adopt: where
nobody is left who may, add somebody with weighpost people add.`
}

func (c configurationAdopt) Run(ctx context.Context, s streams) error {
	return c.decide(ctx, s, "adopt")
}

type configurationTurnDown struct{ decideFlags }

// Help is what the command tells beyond its one line.
func (configurationTurnDown) Help() string {
	return `The file is put back as far as it is about this change; what it said is kept beside it, in FILE.turned-down.`
}

func (c configurationTurnDown) Run(ctx context.Context, s streams) error {
	return c.decide(ctx, s, "turn-down")
}

var errNoDaemon = errors.New("weighpost does not run: a change is decided at the daemon, by somebody who is signed in there. Start it first; " +
	"an edit that nobody wants can be taken out of the file as well")

func (c decideFlags) decide(ctx context.Context, s streams, what string) error {
	var answer console.SettingsAnswer
	body := map[string]any{"reason": c.Reason}
	if c.Login == "" {
		if body["by"] = c.By; c.By == "" {
			body["by"] = hostActor("").ID
		}
	}
	d := deed{Method: http.MethodPost, Path: "/api/v1/settings/pending/" + url.PathEscape(c.Change) + "/" + what, Body: body, Answer: &answer,
		Here: func(context.Context, *config.Config, *journal.Journal) error { return errNoDaemon }}
	var err error
	if c.Login != "" {
		err = c.actAs(ctx, s, c.Login, d)
	} else {
		err = c.act(ctx, d)
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(answer)
	}
	word := map[string]string{"adopt": "adopted", "turn-down": "turned down"}[what]
	fmt.Fprintf(s.out, "change %s is %s\n", plain(c.Change), word)
	for _, sentence := range answer.Changes {
		fmt.Fprintf(s.out, "  %s\n", plain(sentence))
	}
	if answer.Note != "" {
		fmt.Fprintln(s.out, plain(answer.Note))
	}
	return nil
}
