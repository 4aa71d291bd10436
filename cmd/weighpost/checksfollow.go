package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/setup"
)

// checkCaution is what is said of every check.
const checkCaution = "What comes of checks supports calibration by a competent body, and never replaces it; duties under legal metrology and pharmacopoeias stay with the lab."

type checksBegin struct {
	hostFlags
	Balance string   `arg:"" help:"Id of the balance."`
	Check   string   `arg:"" help:"Name of a check of the settings: weighpost checks defined."`
	Weight  []string `required:"" placeholder:"ID" help:"Id of a reference weight that is at hand; may be given several times. Those that the check needs are taken of them."`
	Why     string   `enum:"scheduled,asked,as-found,as-left,moved" default:"asked" help:"Why it is made: ${enum}."`
	By      string   `placeholder:"NAME" help:"Who checks; by default this system's user."`
	JSON    bool     `help:"Print what the check found as one JSON object, with every attempt."`
}

// Help is what the command tells beyond its one line.
func (checksBegin) Help() string {
	return followHelp + `

A balance gets one check at a time. While it runs, what the balance sends belongs to it.`
}

const followHelp = `Leads through the check in the terminal: one instruction at a time, on standard error; readings are taken by themselves once they have settled, and questions
are answered with yes or no. Typed at any time: repeat REASON does the step before again, within what the definition allows, and stop REASON ends the
check without a verdict. Every attempt stays in the journal.

Ctrl-C leaves the check as it is: weighpost checks follow goes on with it, and so does the screen at the bench. What was found is printed at the end. Exit
status 0: it passed, or passed with a warning; 1: it failed, or ended without a verdict.`

func (c checksBegin) Run(ctx context.Context, s streams) error {
	f, err := c.follower(s, c.Balance, c.By)
	if err != nil {
		return err
	}
	order := console.CheckBegin{CheckOrder: console.CheckOrder{Definition: c.Check, Why: strings.ReplaceAll(c.Why, "-", " "), Weights: c.Weight}, By: f.by}
	var v console.CheckView
	if err := f.ask(ctx, http.MethodPost, "check", order, &v); err != nil {
		return err
	}
	return f.toItsEnd(ctx, s, v, c.JSON)
}

type checksFollow struct {
	hostFlags
	Balance string `arg:"" help:"Id of the balance."`
	By      string `placeholder:"NAME" help:"Who checks; by default this system's user."`
	JSON    bool   `help:"Print what the check found as one JSON object, with every attempt."`
}

// Help is what the command tells beyond its one line.
func (checksFollow) Help() string { return followHelp }

func (c checksFollow) Run(ctx context.Context, s streams) error {
	f, err := c.follower(s, c.Balance, c.By)
	if err != nil {
		return err
	}
	var v console.CheckView
	if err := f.ask(ctx, http.MethodGet, "check", nil, &v); err != nil {
		return err
	}
	return f.toItsEnd(ctx, s, v, c.JSON)
}

// follower follows a check that runs at the daemon, for a person at the terminal.
type follower struct {
	cfg         *config.Config
	balance, by string
	person      *terminalPerson
	atTerminal  bool // what is typed may come at any time; otherwise it is read when it is asked for
	said        string
}

const (
	lookEvery = 250 * time.Millisecond
	// awayFor is how long a daemon may not answer: a restart goes on with the check.
	awayFor = time.Minute
)

func (h hostFlags) follower(s streams, balance, name string) (*follower, error) {
	cfg, err := config.LoadFile(h.Config)
	if err != nil {
		return nil, fmt.Errorf("the configuration %s has mistakes (weighpost validate config tells them): %w", h.Config, err)
	}
	if err := noDaemon(cfg); err != nil {
		return nil, err
	}
	in, ok := s.in.(*os.File)
	return &follower{cfg: cfg, balance: balance, by: by(name), person: newPerson(s), atTerminal: ok && term.IsTerminal(int(in.Fd()))}, nil
}

// ask asks about the balance.
func (f *follower) ask(ctx context.Context, method, what string, body, answer any) error {
	return deed{Method: method, Path: "/api/v1/balances/" + pathPart(f.balance) + "/" + what, Body: body, Answer: answer}.send(ctx, f.cfg)
}

// toItsEnd follows the check until it has ended, and prints what it found.
func (f *follower) toItsEnd(ctx context.Context, s streams, v console.CheckView, asJSON bool) error {
	check := strings.TrimPrefix(v.Check.ID, f.balance+"/")
	f.person.Tell(fmt.Sprintf("Check %s of balance %s: %s.", check, f.balance, v.Check.Definition))
	for _, w := range v.Weights {
		if w.Doubt != "" {
			f.person.Tell("Caution: the weight " + w.ID + ": " + w.Doubt)
		}
	}
	if err := f.follow(ctx, v); err != nil {
		return fmt.Errorf("%w. The check goes on without this command: weighpost checks follow %s, or the screen at the bench", err, plain(f.balance))
	}
	r, err := f.report(ctx, check)
	if err != nil {
		return err
	}
	if asJSON {
		err = json.NewEncoder(s.out).Encode(r)
	} else {
		err = printCheck(s.out, r)
	}
	fmt.Fprintln(s.err, checkCaution)
	if o := r.Ended.Outcome; err == nil && o != record.CheckPassed && o != record.CheckWarned {
		return errQuiet
	}
	return err
}

// follow shows the check and passes on what is typed, until no check of that id runs.
func (f *follower) follow(ctx context.Context, v console.CheckView) error {
	id, away := v.Check.ID, time.Time{}
	for v.Check.ID == id && v.Outcome == "" {
		f.show(v)
		if err := f.pass(ctx, v); err != nil {
			return err
		}
		var now console.CheckView
		switch err := f.ask(ctx, http.MethodGet, "check", nil, &now); {
		case ctx.Err() != nil:
			return errors.New("interrupted")
		case refused(err, http.StatusNotFound):
			return nil
		case errors.Is(err, errNoAnswer) || refused(err, http.StatusServiceUnavailable):
			if away.IsZero() {
				away = time.Now()
				f.person.Tell("The daemon does not answer; waiting for it.")
			} else if time.Since(away) > awayFor {
				return err
			}
		case err != nil:
			return err
		default:
			v, away = now, time.Time{}
		}
	}
	return nil
}

// show tells the one instruction, where it is another one than before.
func (f *follower) show(v console.CheckView) {
	text := fmt.Sprintf("%d of %d  %s", v.Step, v.Of, v.Say)
	switch v.Waiting {
	case "wait":
		text += " … wait"
	case "answer":
		text += " (yes or no)"
	case "confirm":
		text += " (yes: it is the right one; no: another weight goes on)"
	}
	if v.Note != "" {
		text += "\n  " + v.Note
	}
	if v.Taken != "" && v.Waiting != "wait" {
		text = "  taken: " + v.Taken + "\n" + text
	}
	if text != f.said {
		f.said = text
		f.person.Tell(text)
	}
}

// pass waits for what is typed, for a moment, or until there is an answer where the check waits for one.
func (f *follower) pass(ctx context.Context, v console.CheckView) error {
	asked := v.Waiting == "answer" || v.Waiting == "confirm"
	within, cancel := context.WithTimeout(ctx, lookEvery)
	defer cancel()
	if !f.atTerminal && !asked || f.person.alone && !asked {
		<-within.Done()
		return nil
	}
	text, err := f.person.line(within)
	switch {
	case ctx.Err() != nil || errors.Is(err, context.DeadlineExceeded):
		return nil
	case errors.Is(err, setup.ErrNobody) && !asked:
		return nil
	case errors.Is(err, setup.ErrNobody):
		return errors.New("the check waits for an answer, and nobody can give it here")
	case err != nil:
		return err
	}
	act, ok := actTyped(text, v.Waiting)
	if !ok {
		f.said = "" // say the instruction again
		if strings.TrimSpace(text) != "" {
			f.person.Tell("That is not understood. Type yes or no where it is asked for, repeat REASON, or stop REASON.")
		}
		return nil
	}
	if err := f.ask(ctx, http.MethodPost, "check/act", console.CheckDeed{CheckAct: act, By: f.by}, nil); err != nil {
		f.person.Tell(sentence(err))
		f.said = ""
	}
	return nil
}

// actTyped is what somebody means by a line.
func actTyped(text, waiting string) (a console.CheckAct, ok bool) {
	word, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
	rest = strings.TrimSpace(rest)
	switch word = strings.ToLower(word); {
	case word == "repeat" && rest != "":
		return console.CheckAct{Repeat: rest}, true
	case word == "stop" && rest != "":
		return console.CheckAct{Stop: rest}, true
	case rest != "" || word != "yes" && word != "no" && word != "y" && word != "n":
		return a, false
	}
	yes := word[0] == 'y'
	switch waiting {
	case "confirm":
		return console.CheckAct{Right: &yes}, true
	case "answer":
		a.Answer = map[bool]string{true: "yes", false: "no"}[yes]
		return a, true
	}
	return a, false
}

// report reads what the check found. Its end may still be on its way to the journal.
func (f *follower) report(ctx context.Context, check string) (r console.CheckReport, err error) {
	for limit := time.Now().Add(awayFor); ; {
		err = f.ask(ctx, http.MethodGet, "checks/"+pathPart(check), nil, &r)
		later := refused(err, http.StatusNotFound) || refused(err, http.StatusServiceUnavailable) || errors.Is(err, errNoAnswer)
		if !later || time.Now().After(limit) {
			return r, err
		}
		select {
		case <-ctx.Done():
			return r, ctx.Err()
		case <-time.After(lookEvery):
		}
	}
}
