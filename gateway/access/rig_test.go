package access_test

import (
	"context"
	"encoding/json"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/access"
	"weighpost/gateway/access/ldap"
	"weighpost/gateway/access/outside"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// cheap hashes in little time: what is tested here is not the hash.
var cheap = secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)

// rig is a book over a real journal, with a clock that tests move.
type rig struct {
	t    *testing.T
	dir  string
	j    *journal.Journal
	book *access.Book
	cfg  access.Config
	dirs outside.Directory
	prov outside.Provider
	hash access.Hasher // nil: cheap

	mu      sync.Mutex
	now     time.Time
	conds   map[health.Ref]health.Condition
	stop    func()
	refused error // of the journal
}

func newRig(t *testing.T, change ...func(*rig)) *rig {
	t.Helper()
	r := &rig{t: t, dir: t.TempDir(), now: time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC), conds: map[health.Ref]health.Condition{}}
	for _, c := range change {
		c(r)
	}
	r.j = journaltest.Open(t, journal.Options{Dir: r.dir, Site: "seed-bank"})
	t.Cleanup(func() { r.close() })
	r.open()
	return r
}

// config is the configuration as it is now.
func (r *rig) config() *access.Config { r.mu.Lock(); defer r.mu.Unlock(); c := r.cfg; return &c }

// configure changes it while the book runs, as a reload does.
func (r *rig) configure(change func(*access.Config)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	change(&r.cfg)
}

// open opens the book, as a start of the daemon does.
func (r *rig) open() {
	r.t.Helper()
	b, err := access.Open(r.t.Context(), r.options())
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); b.Run(ctx) }()
	r.book, r.stop = b, func() { cancel(); <-done }
}

func (r *rig) options() access.Options {
	if r.hash == nil {
		r.hash = cheap
	}
	return access.Options{Dir: r.dir, Site: "seed-bank", Journal: r, Config: r.config, Stamp: r.stamp, Board: r,
		Now: r.clock, Hasher: r.hash, Directory: func() outside.Directory { return r.dirs }, Provider: func() outside.Provider { return r.prov },
		RolesOf: func(string, []string) []string { return []string{rights.Operator} }}
}

// close ends the book as a stop of the daemon does.
func (r *rig) close() {
	if r.book == nil {
		return
	}
	r.stop()
	if err := r.book.Close(context.Background()); err != nil {
		r.t.Error(err)
	}
	r.book = nil
}

func (r *rig) clock() time.Time { r.mu.Lock(); defer r.mu.Unlock(); return r.now }

func (r *rig) pass(d time.Duration) { r.mu.Lock(); defer r.mu.Unlock(); r.now = r.now.Add(d) }

func (r *rig) stamp() record.Stamp {
	return record.Stamp{UTC: record.UTC(r.clock()), Zone: "+00:00", Clock: record.ClockUnchecked}
}

func (r *rig) Head() uint64 { return r.j.Head() }
func (r *rig) Read(ctx context.Context, after uint64, most int) ([]record.Entry, error) {
	return r.j.Read(ctx, after, most)
}
func (r *rig) Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error) {
	r.mu.Lock()
	err := r.refused
	r.mu.Unlock()
	if err != nil {
		return nil, err
	}
	return r.j.Append(ctx, bodies...)
}

func (r *rig) Raise(c health.Condition) { r.mu.Lock(); defer r.mu.Unlock(); r.conds[c.Ref()] = c }
func (r *rig) Clear(code, subject string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.conds, health.Ref{Code: code, Subject: subject})
}

// says gives the sentence of a condition, "" where it does not hold.
func (r *rig) says(code, subject string) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.conds[health.Ref{Code: code, Subject: subject}].Sentence
}

var host = rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "command line"})

// good is a secret that may be chosen, of 24 characters.
func good(of string) string { return "quite long words of " + of + "!" }

// add makes an account with a secret that needs no change, and a role.
func (r *rig) add(id string, roles ...string) {
	r.t.Helper()
	if _, err := r.book.AddPerson(r.t.Context(), host, rights.NewPerson{ID: id, Name: "Person " + id, Roles: roles, Reason: "a test"}); err != nil {
		r.t.Fatal(err)
	}
	first, err := r.book.ResetSecret(r.t.Context(), host, id, "a test")
	if err != nil {
		r.t.Fatal(err)
	}
	s := r.signIn(id, first)
	if !s.MustChange || len(s.Who.Rights) > 1 {
		r.t.Fatalf("a secret that was reset gives %v", s.Who.Rights.List())
	}
	if s, err = r.book.ChangeSecret(r.t.Context(), s.Who, first, good(id), ""); err != nil {
		r.t.Fatal(err)
	}
	if err := r.book.SignOut(r.t.Context(), s.Who); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) try(login, with string) (rights.Session, error) {
	return r.book.SignIn(r.t.Context(), rights.SignIn{Login: login, Secret: with, Address: "192.0.2.7", Where: "page"})
}

func (r *rig) signIn(login, with string) rights.Session {
	r.t.Helper()
	s, err := r.try(login, with)
	if err != nil {
		r.t.Fatalf("%s: %v", login, err)
	}
	return s
}

// entries gives the entries of a kind, decoded.
func entries[T any](r *rig, kind record.Kind) (list []T) {
	r.t.Helper()
	for after := uint64(0); ; {
		some, err := r.j.Read(context.Background(), after, 500)
		if err != nil {
			r.t.Fatal(err)
		}
		if len(some) == 0 {
			return list
		}
		for _, e := range some {
			if after = e.Seq; e.Kind == kind {
				var body T
				if err := json.Unmarshal(e.JSON, &body); err != nil {
					r.t.Fatal(err)
				}
				list = append(list, body)
			}
		}
	}
}

// waitFor waits until something holds.
func (r *rig) waitFor(what string, holds func() bool) {
	r.t.Helper()
	for range 500 {
		if holds() {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	r.t.Fatalf("in five seconds not: %s", what)
}

// changes lists the words of the changes of one account.
func (r *rig) changes(id string) (words []string) {
	for _, c := range entries[record.PersonChanged](r, record.KindPersonChanged) {
		if c.Person == id {
			words = append(words, c.Change)
		}
	}
	return words
}

// nowhere fails the test where a text is in a file of the folder. Secrets are nowhere.
func (r *rig) nowhere(texts ...string) {
	r.t.Helper()
	n := 0
	err := filepath.WalkDir(r.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		n++
		for _, text := range texts {
			if strings.Contains(string(b), text) {
				r.t.Errorf("%q is in %s", text, path)
			}
		}
		return err
	})
	if err != nil || n < 3 {
		r.t.Errorf("%d files, %v", n, err)
	}
}

func roles(group string, names ...string) ldap.GroupRoles {
	return ldap.GroupRoles{Group: group, Roles: names}
}

// remove deletes the snapshot.
func remove(t *testing.T, dir string) {
	t.Helper()
	if err := os.Remove(filepath.Join(dir, "people.json")); err != nil {
		t.Fatal(err)
	}
}
