package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/user"
	"strings"

	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// hostFlags are the flags of commands that do something with the journal of a daemon, whether that runs or not.
type hostFlags struct {
	Config string `required:"" short:"c" placeholder:"FILE" help:"The daemon's configuration, which says where its journal and its page are."`
}

// deed is one act, in the two ways in which it can be done.
type deed struct {
	Method, Path string // of the daemon's API: /api/v1/…
	Body         any    // as JSON; nil: none
	File         []byte // in place of Body: the bytes of a file, with their Type
	Type         string
	Answer       any // where the answer's JSON goes, or a *[]byte for an answer that is a file; nil: nowhere
	// Here does it with the journal, where no daemon has that open.
	Here func(ctx context.Context, cfg *config.Config, j *journal.Journal) error
}

// act asks the daemon that has the journal, and where there is none opens the journal itself.
func (h hostFlags) act(ctx context.Context, c deed) (err error) {
	cfg, err := config.LoadFile(h.Config)
	if err != nil {
		return fmt.Errorf("the configuration %s has mistakes (weighpost validate config tells them): %w", h.Config, err)
	}
	if journal.InUse(cfg.Journal.Folder) {
		return c.send(ctx, cfg)
	}
	if err := sameOwner(cfg.Journal.Folder); err != nil {
		return err
	}
	j, err := journal.Open(ctx, journal.Options{Dir: cfg.Journal.Folder, Site: cfg.Site, Existing: true})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	return c.Here(ctx, cfg, j)
}

// hostActor is the system's user at this command, by the name that they gave or the system's.
func hostActor(name string) record.Actor {
	who := record.Actor{ID: "unknown", Name: name, By: record.ActorHost, Where: "command line"}
	if u, err := user.Current(); err == nil {
		who.ID = u.Username
	}
	return who
}

// answerLimit is how much of an answer is read.
const answerLimit = 16 << 20

// send asks the daemon.
func (c deed) send(ctx context.Context, cfg *config.Config) error {
	var body io.Reader
	if c.Body != nil {
		b, err := json.Marshal(c.Body)
		if err != nil {
			return err
		}
		body = bytes.NewReader(b)
	} else if c.File != nil {
		body = bytes.NewReader(c.File)
	}
	req, err := http.NewRequestWithContext(ctx, c.Method, cfg.Page.URL()+c.Path, body)
	if err != nil {
		return err
	}
	token, err := os.ReadFile(cfg.TokenFile())
	if err == nil {
		req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
		req.Header.Set("X-Weighpost-By", url.QueryEscape(hostActor("").ID)) // whose command it is
	} else if c.Method != http.MethodGet {
		return fmt.Errorf("a daemon holds the journal, and the token for asking it cannot be read: %w. Run this as weighpost's user", err)
	}
	if c.Body != nil {
		req.Header.Set("Content-Type", "application/json")
	} else if c.File != nil {
		req.Header.Set("Content-Type", c.Type)
	}
	client, err := pageClient(cfg)
	if err != nil {
		return err
	}
	defer client.CloseIdleConnections()
	answer, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("a process holds the journal, and %w at %s: %w", errNoAnswer, cfg.Page.URL(), err)
	}
	defer answer.Body.Close()
	return c.take(answer)
}

// errNoAnswer says that the daemon could not be reached.
var errNoAnswer = errors.New("the daemon does not answer")

// refusal is what the daemon says where it does not do what it was asked for.
type refusal struct {
	status int
	text   string
}

func (r *refusal) Error() string { return "the daemon refused: " + r.text }

// refused says whether the daemon refused with a status.
func refused(err error, status int) bool {
	var r *refusal
	return errors.As(err, &r) && r.status == status
}

// take reads the daemon's answer.
func (c deed) take(answer *http.Response) error {
	b, err := io.ReadAll(io.LimitReader(answer.Body, answerLimit+1))
	if err == nil && len(b) > answerLimit {
		err = fmt.Errorf("it has more than %d bytes", answerLimit)
	}
	if err != nil {
		return fmt.Errorf("the daemon's answer did not come whole: %w", err)
	}
	if answer.StatusCode >= http.StatusMultipleChoices {
		var problem struct{ Title, Detail string }
		if json.Unmarshal(b, &problem) != nil || problem.Title == "" {
			problem.Title = answer.Status
		}
		return &refusal{answer.StatusCode, plain(strings.TrimSpace(problem.Title + ". " + problem.Detail))}
	}
	switch to := c.Answer.(type) {
	case nil:
		return nil
	case *[]byte: // it is no JSON
		*to = b
		return nil
	}
	if err := json.Unmarshal(b, c.Answer); err != nil {
		return fmt.Errorf("the daemon's answer cannot be read: %w", err)
	}
	return nil
}
