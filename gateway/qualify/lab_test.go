package qualify

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access/secret"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/port"
	"weighpost/gateway/qualification"
	"weighpost/gateway/record"
	"weighpost/gateway/setup"
)

// lab is an installation without a running daemon: a configuration, and a journal with some entries.
type lab struct {
	Deps
	cfg *config.Config
}

// newLab makes one. more is added to the configuration.
func newLab(t *testing.T, more string) *lab {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "weighpost.yaml")
	text := "site: seed-bank\njournal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\n" + more
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.LoadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	l := &lab{cfg: cfg}
	l.Deps = Deps{Config: cfg, Program: os.Args[0], Person: setup.Nobody{}, Open: setup.Open, By: qualification.Person{Name: "Ada Ohm", Account: "ada"},
		Actor: record.Actor{ID: "ada", By: record.ActorHost, Where: "command line"}, Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256),
		Service:  func(context.Context) (Service, error) { return Service{Cannot: "there is none here"}, nil },
		Verified: func(context.Context, string, string) error { return nil }, Backup: l.backup}
	l.write(t, 40)
	return l
}

// write appends entries and closes the journal.
func (l *lab) write(t *testing.T, n int) {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Dir: l.cfg.Journal.Folder, Site: l.cfg.Site})
	if err != nil {
		t.Fatal(err)
	}
	for i := range n {
		if _, err := j.Append(t.Context(), &record.SinkTried{Sink: "none", Reason: fmt.Sprintf("entry %d of a test", i), By: l.Actor, Stamp: clock.System{}.Stamp(time.Now())}); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	// The daemon makes it at its first start.
	if err := os.WriteFile(l.cfg.TokenFile(), []byte(strings.Repeat("x", 43)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
}

func (l *lab) backup(ctx context.Context, file string) error {
	j, err := journal.Open(ctx, journal.Options{Dir: l.cfg.Journal.Folder, Site: l.cfg.Site, Existing: true})
	if err != nil {
		return err
	}
	defer j.Close()
	job, err := l.cfg.BackupJob(j, record.Software{Version: "test", Config: l.cfg.Hash()})
	if err != nil {
		return err
	}
	job.Stamp = func() record.Stamp { return clock.System{}.Stamp(time.Now()) }
	job.Record = func(ctx context.Context, e *record.Backup) error {
		_, err := j.Append(ctx, e)
		return err
	}
	job.Trouble = func(string, error) {}
	_, err = job.RunTo(ctx, l.Actor, file)
	return err
}

// done is the report by the ids of its tests.
func (l *lab) done(t *testing.T, o Order) (*qualification.Report, map[string]qualification.Test) {
	t.Helper()
	r, err := Run(t.Context(), l.Deps, o)
	if err != nil {
		t.Fatal(err)
	}
	by := map[string]qualification.Test{}
	for _, one := range r.Tests {
		by[one.ID] = one
	}
	return r, by
}

// is holds the outcome of a test, and that its reason says something.
func is(t *testing.T, by map[string]qualification.Test, id, outcome, why string) {
	t.Helper()
	one, there := by[id]
	if !there || one.Outcome != outcome || !strings.Contains(one.Why, why) {
		t.Errorf("%s: there %v, %s and not %s: %s\n%s", id, there, one.Outcome, outcome, one.Why, one.Seen)
	}
}

// scripted is a person who gives answers in their order.
type scripted struct{ answers []string }

func (*scripted) Tell(string) {}

func (s *scripted) Ask(context.Context, setup.Question) (string, error) {
	if len(s.answers) == 0 {
		return "", setup.ErrNobody
	}
	a := s.answers[0]
	s.answers = s.answers[1:]
	return a, nil
}

// saying is a balance that prints a text once, or each time that it is asked.
type saying struct {
	bridged
	asked string // what it answers to; "": it prints by itself
	text  string
	sent  []byte
}

func (s *saying) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sent = append(s.sent, p...)
	if string(p) == s.asked {
		s.prints += s.text
	}
	return len(p), nil
}

func (s *saying) open(context.Context, port.Config) (port.Port, error) {
	if s.asked == "" {
		s.prints = s.text
	}
	return s, nil
}
