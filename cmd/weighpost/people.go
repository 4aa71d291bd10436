package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"weighpost/gateway"
	"weighpost/gateway/access"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

type peopleCommand struct {
	Add         peopleAdd      `cmd:"" help:"Add an account, and print a one-time secret for it."`
	List        peopleList     `cmd:"" help:"List accounts, their roles, and what is wrong with them."`
	Change      peopleChange   `cmd:"" help:"Change an account's name, roles, login or end, or unlock it."`
	Disable     peopleDisable  `cmd:"" help:"Disable an account: its sessions end, and nobody ever gets its id."`
	Enable      peopleEnable   `cmd:"" help:"Enable an account again."`
	ResetSecret peopleReset    `cmd:"" help:"Print a one-time secret, which can only be used to choose another."`
	SetPIN      peoplePIN      `cmd:"" name:"set-pin" help:"Set the PIN that goes with a person's badge."`
	Badge       peopleBadge    `cmd:"" help:"Give a person a badge, or end one."`
	Rights      peopleRights   `cmd:"" help:"Report who held which right on a date."`
	Sessions    peopleSessions `cmd:"" help:"List who is signed in where."`
	SignOut     peopleSignOut  `cmd:"" help:"Sign a person out everywhere."`
	Review      peopleReview   `cmd:"" help:"Note that accounts and rights were looked over, and what was found."`
}

// bookDeed is one act on accounts, in the two ways in which it can be done.
type bookDeed struct {
	Method, Path string // of the daemon's API
	Body, Answer any    // see deed
	// Here does it with the book of people, where no daemon has the journal open. It fills Answer.
	Here func(ctx context.Context, book *access.Book, who rights.Who) error
}

// onBook asks the daemon, and where there is none opens the book of people itself: as the owner of the journal's files.
func (h hostFlags) onBook(ctx context.Context, c bookDeed) error {
	return h.act(ctx, deed{Method: c.Method, Path: c.Path, Body: c.Body, Answer: c.Answer,
		Here: func(ctx context.Context, cfg *config.Config, j *journal.Journal) (err error) {
			book, err := gateway.PeopleAside(ctx, cfg, j, func() record.Stamp { return clock.System{}.Stamp(time.Now()) })
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, book.Close(context.WithoutCancel(ctx))) }()
			return c.Here(ctx, book, rights.Host(hostActor("")))
		}})
}

// newSecret reads a secret that somebody chooses: at a terminal without showing it, and twice; else one line of standard input. It is
// never an argument, which every program of this computer could read.
func newSecret(ctx context.Context, s streams, what string) (string, error) {
	chosen, err := askSecret(ctx, s, what)
	if err != nil {
		return "", err
	}
	if f, ok := s.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		again, err := askSecret(ctx, s, "The same once more")
		if err != nil {
			return "", err
		}
		if again != chosen {
			return "", errors.New("the two are not the same: nothing was changed")
		}
	}
	if chosen == "" {
		return "", fmt.Errorf("nothing was typed: %s is one line of text", strings.ToLower(what))
	}
	return chosen, nil
}

// parseDate reads a date, whose end counts, or an instant.
func parseDate(text string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	t, err := time.ParseInLocation("2006-01-02", text, time.Local)
	if err != nil {
		return t, fmt.Errorf("%.40q is no date: write 2026-11-25, or an instant as in RFC 3339, 2026-11-25T10:04:05Z", text)
	}
	return t.AddDate(0, 0, 1).Add(-time.Microsecond), nil
}

// personPath is the path of an account in the API.
func personPath(id string, more ...string) string {
	return "/api/v1/people/" + pathPart(id) + strings.Join(more, "")
}
