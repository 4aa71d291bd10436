package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"weighpost/gateway/access/ldap"
	"weighpost/gateway/config"
	"weighpost/gateway/watch"
)

type directoryCommand struct {
	Test directoryTestCommand `cmd:"" help:"Try out the directory of the configuration with somebody's login, and say what it tells of them."`
}

type directoryTestCommand struct {
	Login  string `arg:"" help:"What the person types to sign in."`
	Config string `required:"" short:"c" placeholder:"FILE" help:"The configuration."`
	Secret bool   `help:"Ask for the person's secret, or read it from standard input, and have the directory judge it. It is never shown."`
	JSON   bool   `name:"json" help:"Print one JSON object."`
}

// Help is what the command tells beyond its one line.
func (directoryTestCommand) Help() string {
	return `It goes the way of a sign-in, step by step, and says in sentences how far it came: connection, encryption, the account that
looks people up, the person, the secret if --secret is given, groups, and the roles that these give. Nothing is changed, here or
there, but that a wrong secret counts as one there. Nobody is signed in, and the daemon need not run. Secrets that the
configuration names as env:NAME must be set here too.

The exit status is 1 where the person could not sign in. See weighpost help directory.`
}

func (c directoryTestCommand) Run(ctx context.Context, s streams) error {
	cfg, err := config.LoadFile(c.Config)
	if err != nil {
		return fmt.Errorf("%w. See weighpost validate config", err)
	}
	d := cfg.People.Directory
	if !d.Configured() {
		return fmt.Errorf("%s has no directory: it is set up in people.directory, see weighpost help directory", c.Config)
	}
	secret := ""
	if c.Secret {
		if secret, err = askSecret(ctx, s, "The secret of "+watch.Harmless(c.Login)); err != nil {
			return err
		}
		if secret == "" {
			return errors.New("the secret is empty, and no directory is asked with an empty one: it would take it for nobody's")
		}
	}
	found := ldap.Examine(ctx, d, c.Login, secret)
	if c.JSON {
		out := json.NewEncoder(s.out)
		out.SetEscapeHTML(false)
		if err := out.Encode(found); err != nil {
			return fmt.Errorf("what was found cannot be written: %w", err)
		}
	} else {
		for _, f := range found.Findings {
			fmt.Fprintln(s.out, watch.Harmless(f.Sentence))
		}
	}
	if !found.Fine() {
		return errQuiet
	}
	return nil
}
