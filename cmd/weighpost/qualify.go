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
	"path/filepath"
	"strings"
	"time"

	"github.com/kardianos/service"

	"weighpost/gateway/backup"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/proof"
	"weighpost/gateway/qualification"
	"weighpost/gateway/qualify"
	"weighpost/gateway/record"
	"weighpost/gateway/setup"
	"weighpost/parsers/strict"
)

type qualifyCommand struct {
	hostFlags
	Out      string            `type:"path" default:"." placeholder:"DIR" help:"The folder that the report's three files go to."`
	Only     []string          `placeholder:"ID" help:"Do these tests only: ids, or their first words: installation, clock, ports, journal, backup, sinks, roles, kill."`
	Skip     map[string]string `placeholder:"ID=REASON" mapsep:"none" help:"Leave a test out, for a reason that goes into the report. May be said several times."`
	Loop     []string          `placeholder:"BALANCE" help:"Pins 2 and 3 of this balance's port are bridged, and no balance is connected there: bytes may be sent."`
	Weigh    []string          `placeholder:"BALANCE" help:"Somebody weighs at this balance, and types in what its display shows."`
	Poll     bool              `help:"With --weigh: ask a balance for its weight as the configuration says (ask), where it does not print by itself."`
	Expect   string            `placeholder:"SHA256" help:"The SHA-256 that the program should have, as published with it: another is a failure."`
	Patience time.Duration     `default:"75s" placeholder:"TIME" help:"How long a destination may take until something arrives there; it gets a checkpoint at most once a minute."`
	Scratch  string            `type:"path" placeholder:"DIR" help:"Where copies and throw-away journals are made, and removed at the end. By default the system's folder for temporary files."`
	By       string            `placeholder:"NAME" help:"Who has this done: goes into the report."`
	JSON     bool              `help:"Print the report as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (qualifyCommand) Help() string {
	return `Tries out this very installation and writes a signed report for the lab's qualification file: installation, clock, ports, journal,
backup and restore, destinations, roles, and a kill in the middle of writing. Of each test the report says which requirement and clauses it
supports, what was tried, expected and seen, and whether it passed, failed or was not done, and why.

What has to be broken is a scratch copy. The lab's journal gets entries only of the backup that is made and verified, and of each
destination that is tried. Not a byte goes to a port unless you say what is connected there. Run it as weighpost's user.

Some tests need the daemon to run (sinks), others that it does not (ports): do both, and keep both reports.

    weighpost qualify --config weighpost.yaml --out qualification --by 'Ada Ohm'
    weighpost qualify --config weighpost.yaml --only ports --loop b-12
    weighpost qualify --config weighpost.yaml --skip 'kill=done on the test computer, report 7'

It qualifies no lab: whether these tests are enough is for its quality system and qualified people. Exit status: 0 something was shown and
nothing failed, 1 otherwise. Verify a report: weighpost validate qualification FILE --key KEY. See: weighpost help qualify`
}

func (c qualifyCommand) Run(ctx context.Context, s streams) error {
	full, err := filepath.Abs(c.Config)
	if err != nil {
		return err
	}
	c.Config = full // the report names it
	cfg, err := config.LoadFile(c.Config)
	if faults := (strict.Faults)(nil); errors.As(err, &faults) {
		fmt.Fprintln(s.err, faults)
		return fmt.Errorf("nothing was tried: the configuration %s has mistakes: mend the lines above", c.Config)
	}
	if err != nil {
		return err
	}
	if about, err := os.Stat(c.Out); err != nil || !about.IsDir() {
		return fmt.Errorf("there is no folder %s for the report: make it, or name another with --out", c.Out)
	}
	if err := sameOwner(cfg.Journal.Folder); err != nil {
		return err
	}
	deps, err := c.deps(s, cfg)
	if err != nil {
		return err
	}
	report, err := qualify.Run(ctx, deps, qualify.Order{Only: c.Only, Skip: c.Skip, Loop: c.Loop, Weigh: c.Weigh, Poll: c.Poll, Expect: c.Expect, Patience: c.Patience, Scratch: c.Scratch})
	if err != nil {
		return err
	}
	files, err := report.Make(func(list []proof.SignedFile) ([]byte, error) {
		signed, _, err := journal.SignFiles(cfg.Journal.Folder, list)
		return signed, err
	})
	if err != nil {
		return fmt.Errorf("the tests were done, and the report could not be signed: %w", err)
	}
	if err := c.write(files); err != nil {
		return err
	}
	return c.tell(s, report, files)
}

// deps is what the tests need of this command.
func (c qualifyCommand) deps(s streams, cfg *config.Config) (d qualify.Deps, err error) {
	actor := hostActor(c.By)
	d = qualify.Deps{Config: cfg, Service: serviceFacts, Person: newPerson(s), Open: setup.Open, Actor: actor,
		By: qualification.Person{Name: actor.Name, Account: actor.ID}, Backup: c.backup, Verified: c.verified}
	if d.Program, err = executable(); err != nil {
		return d, fmt.Errorf("the program's own file cannot be found: %w", err)
	}
	if progress(s) != nil { // somebody is looking
		d.Say = func(text string) { fmt.Fprintln(s.err, plain(text)) }
	}
	if journal.InUse(cfg.Journal.Folder) {
		d.Daemon = daemonOf{cfg}
	}
	return d, nil
}

// backup makes a backup into a file, through the daemon where one runs.
func (c qualifyCommand) backup(ctx context.Context, file string) error {
	var made record.BackupAnswer
	byDaemon := true
	err := c.act(ctx, deed{Method: http.MethodPost, Path: "/api/v1/backups", Body: map[string]any{"apart": true, "by": hostActor(c.By).ID}, Answer: &made,
		Here: func(ctx context.Context, cfg *config.Config, j *journal.Journal) error {
			byDaemon = false
			job, end, err := backupJob(cfg, j, &[]string{})
			if err != nil {
				return err
			}
			defer end()
			_, err = job.RunTo(ctx, hostActor(c.By), file)
			return err
		}})
	if err == nil && byDaemon {
		err = takeOut(&made, file)
	}
	return err
}

// verified records what was found out about that backup.
func (c qualifyCommand) verified(ctx context.Context, file, why string) error {
	var r backup.Result
	b, err := backup.Open(file)
	if err == nil {
		r.Manifest = b.Manifest()
		err = b.Close()
	}
	if err != nil {
		return err
	}
	var fault error
	if why != "" {
		fault = errors.New(why)
	}
	return backupVerify{File: file, Config: c.Config, By: c.By}.record(ctx, r, fault)
}

// write puts the three files down, each whole or not at all, and replaces none.
func (c qualifyCommand) write(f qualification.Files) error {
	for _, one := range []struct {
		end  string
		text []byte
	}{{qualification.EndJSON, f.JSON}, {qualification.EndPDF, f.PDF}, {qualification.EndNote, f.Signed}} {
		name := filepath.Join(c.Out, f.Name+one.end)
		if err := setup.WriteNew(name, one.text, false); err != nil {
			return fmt.Errorf("the tests were done, and %s could not be written: %w", name, err)
		}
	}
	return nil
}

// tell prints the outcome, and is an error where something failed or nothing was shown.
func (c qualifyCommand) tell(s streams, r *qualification.Report, f qualification.Files) error {
	var err error
	if c.JSON {
		_, err = s.out.Write(f.JSON)
	} else {
		for i := range r.Tests {
			t := &r.Tests[i]
			_, bad := fmt.Fprintf(s.out, "%-9s %s%s\n", t.Outcome, plain(t.ID), plain(strings.TrimSuffix(": "+t.Why, ": ")))
			err = errors.Join(err, bad)
		}
		_, bad := fmt.Fprintf(s.out, "%d passed, %d failed, %d not done. %s\n%s\n", r.Summary.Passed, r.Summary.Failed, r.Summary.NotDone, r.Verdict,
			plain(filepath.Join(c.Out, f.Name+".{json,pdf,note}")))
		err = errors.Join(err, bad)
	}
	if err == nil && !r.Good() {
		err = fmt.Errorf("%s See the report %s", r.Verdict, plain(filepath.Join(c.Out, f.Name+qualification.EndPDF)))
	}
	return err
}

// daemonOf asks the running daemon of a configuration with the host's token.
type daemonOf struct{ cfg *config.Config }

// Ask sends a request, and gives what came back.
func (d daemonOf) Ask(ctx context.Context, method, path string, body any) (int, http.Header, []byte, error) {
	var in io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return 0, nil, nil, err
		}
		in = bytes.NewReader(b)
	}
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, d.cfg.Page.URL()+path, in)
	if err != nil {
		return 0, nil, nil, err
	}
	token, err := os.ReadFile(d.cfg.TokenFile())
	if err != nil {
		return 0, nil, nil, fmt.Errorf("the daemon's token cannot be read: %w. Run this as weighpost's user", err)
	}
	req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	req.Header.Set("X-Weighpost-By", url.QueryEscape(hostActor("").ID))
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	client, err := pageClient(d.cfg)
	if err != nil {
		return 0, nil, nil, err
	}
	defer client.CloseIdleConnections()
	answer, err := client.Do(req)
	if err != nil {
		return 0, nil, nil, fmt.Errorf("%w at %s: %w", errNoAnswer, d.cfg.Page.URL(), err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(io.LimitReader(answer.Body, answerLimit))
	return answer.StatusCode, answer.Header, text, err
}

// serviceFacts is weighpost as the system knows it.
func serviceFacts(context.Context) (qualify.Service, error) {
	svc, err := openService(service.Config{})
	if err != nil {
		return qualify.Service{Cannot: strings.TrimSuffix(err.Error(), ".")}, nil
	}
	state, err := readStatus(svc)
	if err != nil {
		return qualify.Service{}, err
	}
	return qualify.Service{Installed: state.Installed, Enabled: enabled(), Running: state.Running, State: state.State, PID: state.PID}, nil
}
