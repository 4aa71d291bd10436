// Package access keeps who may do what: people's accounts, their roles, badges and sessions, and keys for programs. All of it is
// read from the journal and changed by entries; what is secret is in a file beside it (gateway/access/secret). It is the one
// place where a right is held against an act: whoever asks hands in a rights.Who, and every method holds it itself, so that the
// page, the API and the command line cannot differ (21 CFR 11.10(d) and (g)).
//
//	DIR/people.json    what the journal says of people, so that a start does not read all of it; can be deleted at any time
//	DIR/secrets.json   hashes of secrets, PINs and keys: see gateway/access/secret
//	DIR/set-up.token   the one-time token, from the first start until there is somebody who looks after accounts
//
// An id is never given to another person and never deleted (21 CFR 11.100(a), 11.300(a)). A change names the entry as of which
// the account was seen, and is refused where that is no longer so.
package access

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"weighpost/gateway/access/outside"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/access/session"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Log is what is needed of the journal.
type Log interface {
	Head() uint64
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// Board is where conditions are shown.
type Board interface {
	Raise(health.Condition)
	Clear(code, subject string)
}

// Options is what a Book needs. Config, Directory and Provider are asked anew each time: a reload needs no more than Reload.
type Options struct {
	Dir     string // the journal's folder
	Site    string
	Journal Log
	Config  func() *Config
	Stamp   func() record.Stamp
	Board   Board        // nil: nobody is told
	Log     *slog.Logger // nil: nothing is logged
	// Directory and Provider judge the people of others; nil, or giving nil: there is none.
	Directory func() outside.Directory
	Provider  func() outside.Provider
	// RolesOf gives the roles that a provider's groups give; nil: none.
	RolesOf func(source string, groups []string) []string
	// HasBalance says whether there is a balance with this id, for sign-ins at one; nil: any id counts.
	HasBalance func(id string) bool
	// Ended is told of each session as it ends, and Disabled of each account that can no longer be used, from the goroutine that
	// ended it; nil: nobody is told. They may wait for a balance's lock and nothing else, and must not call the Book.
	Ended    func(person, session, cause string)
	Disabled func(person string)
	// Aside is for a command that opens a journal which no daemon has: no set-up token is made, and nothing is kept running.
	Aside bool
	// Moved says that the journal woke up on another computer: a set-up token of before counts for nothing here.
	Moved bool
	Now   func() time.Time // nil: time.Now
	// Hasher makes and compares hashes; nil: that of the process, with the work that is asked for now.
	Hasher Hasher
}

// Hasher makes and compares hashes of secrets: *secret.Hasher is one.
type Hasher interface {
	Hash(ctx context.Context, chosen string) (string, error)
	Verify(ctx context.Context, hash, given string) (ok, stale bool, err error)
	Reused(ctx context.Context, k secret.Kept, chosen string, reuse int) (bool, error)
}

// ofProcess is the hasher that all of a process share.
type ofProcess struct{}

func (ofProcess) Hash(ctx context.Context, chosen string) (string, error) {
	return secret.Hash(ctx, chosen)
}
func (ofProcess) Verify(ctx context.Context, hash, given string) (ok, stale bool, err error) {
	return secret.Verify(ctx, hash, given)
}
func (ofProcess) Reused(ctx context.Context, k secret.Kept, chosen string, reuse int) (bool, error) {
	return secret.Reused(ctx, k, chosen, reuse)
}

// Book is the people of a journal. Its methods may be called from any goroutine. Errors that callers tell apart are those of
// gateway/rights (ErrWrong, Throttled, Refused, Conflict, Denied, ErrNoPerson, ErrNoSession) and secret.ErrBusy; others say why
// something could not be recorded or kept.
type Book struct {
	o        Options
	vault    *secret.Vault
	throttle *secret.Throttle
	sessions *session.Table

	// writing holds a token while somebody changes people: from looking at them until the entry is taken.
	writing chan struct{}
	appends sync.WaitGroup
	closed  bool // guarded by mu

	// ready is closed once the journal was read; failed, set before, says why it could not be.
	ready  chan struct{}
	failed error

	mu    sync.RWMutex
	state *state

	refusals *refusals
	flows    flows
	signings signings
	ends     ends
	barred   sync.Map            // ids of keys whose end could not be recorded
	told     map[health.Ref]bool // conditions that were raised; guarded by telling
	telling  sync.Mutex
	saved    uint64   // state.Seq of the snapshot on disk; belongs to Run and Close
	lost     []string // sessions that were open when the process before this one ended; belongs to Run
}

// appendTime is how long an entry may take before whoever waits for it is told so.
const appendTime = 5 * time.Second

// Open reads the people of a journal. It ends nothing: see Run. Where very many entries have to be read, Run reads them, so that
// recording need not wait, and whoever asks of people waits until that is done.
func Open(ctx context.Context, o Options) (*Book, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Hasher == nil {
		o.Hasher = ofProcess{}
	}
	b := &Book{o: o, ready: make(chan struct{}), writing: make(chan struct{}, 1), told: map[health.Ref]bool{}}
	b.ends.wake, b.ends.noting = make(chan struct{}, 1), make(chan struct{}, 1)
	b.refusals = newRefusals(b)
	s, why := readSnapshot(ctx, o.Dir, o.Journal)
	if why != nil && !errors.Is(why, fs.ErrNotExist) {
		o.Log.Info("people are read from the whole journal", "file", filepath.Join(o.Dir, snapshotName), "why", why)
	}
	if b.state = s; why != nil {
		b.state = newState()
	}
	b.saved = b.state.Seq
	var err error
	if b.vault, err = secret.OpenVault(o.Dir); err != nil {
		return nil, err
	}
	b.throttle, err = secret.OpenThrottle(o.Dir, func() secret.LockConfig { return o.Config().Lock }, o.Now)
	if err != nil {
		return nil, err
	}
	b.sessions = session.New(session.Options{Config: func() session.Config { return o.Config().Session }, Shifts: b.shifts, Now: o.Now, Ended: b.ended})
	if o.Aside || o.Journal.Head()-b.state.Seq <= entriesAtOnce {
		if b.begin(ctx); b.failed != nil {
			return nil, errors.Join(b.failed, b.throttle.Close())
		}
	}
	return b, nil
}

// begin reads what the journal has behind the snapshot, and lets everybody go on who waits for that.
func (b *Book) begin(ctx context.Context) {
	b.mu.Lock()
	b.failed = b.state.follow(ctx, b.o.Journal)
	b.lost = slices.Sorted(maps.Keys(b.state.Open))
	b.mu.Unlock()
	if b.failed == nil {
		b.failed = errors.Join(b.strangeSetUp(), b.setUpToken())
	}
	close(b.ready)
	b.tell()
}

// Close waits for what is being recorded, notes which sessions ended, and saves what a start needs. The journal must still be open.
func (b *Book) Close(ctx context.Context) error {
	b.mu.Lock()
	b.closed = true
	b.mu.Unlock()
	done := make(chan struct{})
	go func() { b.appends.Wait(); close(done) }()
	select {
	case <-done:
	case <-ctx.Done():
		return fmt.Errorf("what changes people was not recorded in time: %w", ctx.Err())
	}
	var err error
	select {
	case <-b.ready:
		err = b.save(ctx)
	default: // it was never run
	}
	return errors.Join(err, b.throttle.Close())
}

// ErrClosed is what a Book returns once it was closed.
var ErrClosed = errors.New("weighpost is stopping: nobody's account can be changed now")

// change appends what build gives. build sees people as they are, while nobody else changes them. then is called once the entries
// are durable and taken, before anybody else may change something: also when whoever asked no longer waits.
func (b *Book) change(ctx context.Context, build func(s *state, now record.Stamp) ([]record.Body, error), then func() error) ([]record.Entry, error) {
	ctx, cancel := context.WithTimeout(ctx, appendTime)
	defer cancel()
	return b.changeWhile(ctx, build, then)
}

// changeWhile is change for whoever waits as long as ctx lasts.
func (b *Book) changeWhile(ctx context.Context, build func(s *state, now record.Stamp) ([]record.Body, error), then func() error) ([]record.Entry, error) {
	select {
	case b.writing <- struct{}{}:
	case <-ctx.Done():
		return nil, fmt.Errorf("nothing was changed, since the journal does not record now: %w", ctx.Err())
	}
	release := func() { <-b.writing }
	select {
	case <-b.ready:
	case <-ctx.Done():
		release()
		return nil, errReading
	}
	if b.failed != nil {
		release()
		return nil, b.failed
	}
	b.mu.RLock()
	if b.closed {
		b.mu.RUnlock()
		release()
		return nil, ErrClosed
	}
	b.appends.Add(1)
	bodies, err := build(b.state, b.o.Stamp())
	b.mu.RUnlock()
	if err != nil || len(bodies) == 0 {
		b.appends.Done()
		release()
		return nil, err
	}
	type answer struct {
		entries []record.Entry
		err     error
	}
	done := make(chan answer, 1)
	go func() { // so that what is in the journal is known here too, whoever gave up waiting
		defer b.appends.Done()
		defer release()
		entries, err := b.append(context.WithoutCancel(ctx), bodies)
		if err == nil && then != nil {
			err = then()
		}
		done <- answer{entries, err}
	}()
	select {
	case a := <-done:
		if a.err == nil {
			b.tell()
		}
		return a.entries, a.err
	case <-ctx.Done():
		return nil, fmt.Errorf("handed to the journal, but not known to be recorded: %w", ctx.Err())
	}
}

// append records, and takes what was recorded.
func (b *Book) append(ctx context.Context, bodies []record.Body) ([]record.Entry, error) {
	entries, err := b.o.Journal.Append(ctx, bodies...)
	if err != nil {
		return nil, fmt.Errorf("nothing was changed, since it could not be recorded: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range entries {
		if err := b.state.take(e); err != nil {
			return entries, err
		}
	}
	return entries, nil
}

var errReading = &rights.Refused{Why: "the journal is being read for who has an account: try again in a moment"}

// look gives people as they are, for f to read and not to keep. It waits until the journal was read.
func (b *Book) look(f func(s *state)) {
	<-b.ready
	b.mu.RLock()
	defer b.mu.RUnlock()
	f(b.state)
}

// follow takes what the journal says since it was last read to its end.
func (b *Book) follow(ctx context.Context) error {
	for {
		b.mu.RLock()
		at := b.state.Seq
		b.mu.RUnlock()
		entries, err := b.o.Journal.Read(ctx, at, chunk)
		if err != nil {
			return fmt.Errorf("what the journal says of people cannot be read: %w", err)
		}
		if len(entries) == 0 {
			return nil
		}
		b.mu.Lock()
		if b.state.Seq == at { // nobody else followed meanwhile
			err = b.state.takeAll(entries)
		}
		b.mu.Unlock()
		if err != nil {
			return err
		}
	}
}

// save writes the snapshot, where there is something new in it.
func (b *Book) save(ctx context.Context) error {
	if b.failed != nil {
		return nil
	}
	if err := b.follow(ctx); err != nil {
		return err
	}
	b.mu.RLock()
	s := b.state.clone()
	b.mu.RUnlock()
	if !s.within(s.Seq) {
		return nil // somebody changed something in this very moment: the next one saves it
	}
	if s.Seq == b.saved && s.Seq != 0 {
		return nil
	}
	if err := writeSnapshot(ctx, b.o.Dir, b.o.Journal, s); err != nil {
		return fmt.Errorf("the file %s cannot be written, so that the next start reads the whole journal for it: %w", filepath.Join(b.o.Dir, snapshotName), err)
	}
	b.saved = s.Seq
	return nil
}
