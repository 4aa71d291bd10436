package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/roster"
	"weighpost/gateway/setup"
)

type addBalanceCommand struct {
	Config string `short:"c" default:"weighpost.yaml" placeholder:"FILE" help:"The configuration; made if it is not there. By default weighpost.yaml."`
	Port   string `placeholder:"PORT" help:"Where the balance is plugged in."`
	portFlags
	Layout      string        `placeholder:"FILE" help:"How the balance prints. Left out: learnt from what it prints."`
	Hint        []string      `sep:"none" placeholder:"KEY=ANSWER" help:"For learning: see weighpost learn --help."`
	Answers     string        `placeholder:"FILE" help:"For learning: what you know, in a YAML file."`
	Accept      bool          `help:"For learning: take the best layout, whatever the doubts."`
	Lines       int           `placeholder:"N" help:"Listen until so many lines have come."`
	For         time.Duration `placeholder:"TIME" help:"Listen for so long, such as 30s."`
	ID          string        `name:"id" placeholder:"ID" help:"The balance's name in records, for ever: a to z, 0 to 9 and -."`
	Serial      string        `placeholder:"TEXT" help:"The serial number on its plate; - for none."`
	Place       string        `placeholder:"TEXT" help:"Where it stands; - for nothing."`
	Capacity    string        `placeholder:"MASS" help:"The largest load, with unit, such as '220 g'; - for not known."`
	Readability string        `placeholder:"MASS" help:"The last step of the display, such as '0.0001 g'; - for not known."`
	Record      string        `enum:",printed,settled" default:"" placeholder:"RULE" help:"What is recorded: printed or settled."`
	Poll        string        `placeholder:"TEXT" help:"What asks a balance that speaks only when asked, such as 'P\\r\\n' or '\\x05'. Nothing else is ever sent."`
	Every       string        `placeholder:"TIME" help:"How often the daemon asks it, such as 2s; - for only on request."`
	Site        string        `placeholder:"NAME" help:"The site of a new configuration."`
	Journal     string        `placeholder:"FOLDER" help:"The journal of a new configuration."`
	Yes         bool          `help:"Ask nothing: take what is proposed, and do not compare with the display."`
	JSON        bool          `help:"Print what was written as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (addBalanceCommand) Help() string {
	return `Six steps: port, settings, layout, balance, a test at the balance, configuration. What is given is not asked; each step also
works alone, as weighpost ports, settings and learn. Nothing is written before the last step, and that one writes the layout and
the configuration whole or not at all. Comments and order of the configuration stay as they are.

Without a person, for a balance that prints by itself or a print key that somebody presses:
  weighpost add-balance --config weighpost.yaml --port PORT --speed 4800
    --layout FILE --id b-12 --yes`
}

func (c addBalanceCommand) Run(ctx context.Context, s streams) error {
	return c.run(ctx, s, setup.Tools{Past: pastIDs})
}

// run is the command, with the tools of this computer or others.
func (c addBalanceCommand) run(ctx context.Context, s streams, tools setup.Tools) error {
	answers, err := learnCommand{Hint: c.Hint, Answers: c.Answers}.answers()
	if err != nil {
		return err
	}
	var poll []byte
	if c.Poll != "" {
		if poll, err = setup.ParsePoll(c.Poll); err != nil {
			return err
		}
	}
	given := setup.Given{Poll: poll, Every: c.Every,
		Config: c.Config, Site: c.Site, Journal: c.Journal, Port: c.at(c.Port), Settings: c.portFlags != portFlags{},
		Layout: c.Layout, Answers: answers, Accept: c.Accept, Record: c.Record, Lines: c.Lines, For: c.For, Yes: c.Yes,
		Balance: setup.Plate{ID: c.ID, Serial: c.Serial, Place: c.Place, Capacity: c.Capacity, Readability: c.Readability},
	}
	added, err := setup.AddBalance(ctx, c.person(s), tools, given)
	if err != nil {
		return err
	}
	if c.JSON {
		return printObject(s.out, added)
	}
	return c.tell(s, added)
}

// person is who is asked. With --yes that is nobody: they are told what happens, if they look.
func (c addBalanceCommand) person(s streams) setup.Person {
	if !c.Yes {
		return somebody(s)
	}
	if isTerminal(s.err) {
		return onlooker{newPerson(s)}
	}
	return setup.Nobody{}
}

// onlooker is a person who is told everything and asked nothing.
type onlooker struct{ setup.Person }

// Ask returns ErrNobody.
func (onlooker) Ask(context.Context, setup.Question) (string, error) { return "", setup.ErrNobody }

// tell says what was written and what comes next.
func (c addBalanceCommand) tell(s streams, added *setup.Added) error {
	text := "The balance is in " + shown(added.Config) + ".\n"
	if added.Layout != "" {
		text += "Its layout is in " + shown(added.Layout) + ".\n"
	}
	for _, n := range added.Notes {
		text += wrapped(n, "note: ")
	}
	text += "\nNow:\n  weighpost validate config " + shown(added.Config) + "\n"
	if added.New {
		text += "  weighpost run --config " + shown(added.Config) + "\n"
	} else {
		text += "and have a daemon that runs read it anew:\n  sudo systemctl reload weighpost        (or kill -HUP PID)\n"
	}
	_, err := fmt.Fprint(s.out, text)
	return err
}

// pastIDs gives the ids that the journal in a folder has seen.
func pastIDs(ctx context.Context, folder string) (map[string]string, error) {
	if _, err := os.Stat(filepath.Join(folder, "journal.db")); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return roster.IDs(func(each func(record.Entry) error) error { return journal.Scan(ctx, folder, 0, each) })
}
