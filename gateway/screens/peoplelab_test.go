package screens

import (
	"context"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/access/outside"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/live"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// goodSecret can be chosen as a password.
const goodSecret = "five barley sheaves by the well"

// hostileName is text from outside that tries to be markup, and to be a title.
const hostileName = `<img src=x onerror="document.title='owned'"><b>LOT</b>`

// register is the real book of people over a real journal.
type register struct {
	*access.Book
	cfg  access.Config
	dir  string
	log  *journal.Journal
	deps Deps
}

func openRegister(t *testing.T, change ...func(*access.Config)) *register {
	t.Helper()
	b := &register{dir: t.TempDir()}
	for _, c := range change {
		c(&b.cfg)
	}
	j := journaltest.Open(t, journal.Options{Dir: b.dir, Site: "seed-bank"})
	b.log = j
	stamp := func() record.Stamp {
		return record.Stamp{UTC: record.UTC(time.Now()), Zone: "+00:00", Clock: record.ClockUnchecked}
	}
	book, err := access.Open(t.Context(), access.Options{Dir: b.dir, Site: "seed-bank", Journal: j, Config: func() *access.Config { return &b.cfg }, Stamp: stamp,
		Board: quietBoard{}, Log: slog.New(slog.DiscardHandler), Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256),
		Directory: func() outside.Directory { return nil }, Provider: func() outside.Provider { return nil }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); book.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		<-done
		if err := book.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	b.Book = book
	b.deps = Deps{Access: book, Page: console.Config{}, Log: slog.New(slog.DiscardHandler), Site: "seed-bank", Source: source{balances: []console.Balance{{ID: "b-1"}, {ID: "b-2"}}},
		Conditions: conditions{}, Live: &live.Hub{}}
	return b
}

type quietBoard struct{}

func (quietBoard) Raise(health.Condition)  {}
func (quietBoard) Clear(code, subj string) {}

// owner is whoever owns the journal's files.
func owner() rights.Who {
	return rights.Host(record.Actor{ID: "root", By: record.ActorHost})
}

// add adds an account with a password that has to be changed.
func (b *register) add(t *testing.T, id, name string, roles ...string) {
	t.Helper()
	p := rights.NewPerson{ID: id, Name: name, Roles: roles, Secret: goodSecret, Reason: "a test"}
	if _, err := b.AddPerson(t.Context(), owner(), p); err != nil {
		t.Fatal(err)
	}
}

// serve serves the console with the pages, and gives where.
func (b *register) serve(t *testing.T) string {
	t.Helper()
	pages := New(b.deps)
	deps := b.deps
	deps.Screens, deps.TurnedAway, deps.CameBack = pages.Routes(), pages.TurnedAway, pages.CameBack
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- console.New(deps).Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		http.DefaultClient.CloseIdleConnections()
	})
	return "http://" + l.Addr().String()
}

// token is the one-time token of the first start.
func (b *register) token(t *testing.T) string {
	t.Helper()
	raw, err := os.ReadFile(b.SetUpFile())
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(raw))
}
