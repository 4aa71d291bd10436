package ldap

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"strings"
	"time"

	goldap "github.com/go-ldap/ldap/v3"

	"weighpost/gateway/access/outside"
	"weighpost/gateway/health"
)

// Options are what a Directory needs. Board and Log may be nil.
type Options struct {
	Config func() Config // as it is now: a reload takes effect with the next question
	Board  *health.Board
	Log    *slog.Logger
}

const (
	source = "directory"
	// mostAtOnce is how many questions are open at a time. Further ones wait, within their own limit of time.
	mostAtOnce = 16
	// lookEvery is how often it is looked whether the directory answers, so that an outage is known before somebody stands
	// at a balance, and its end too.
	lookEvery = time.Minute
)

// Directory asks a directory. Its methods may be called from any goroutine.
type Directory struct {
	options Options
	slots   chan struct{}
}

var _ outside.Directory = (*Directory)(nil)

// New makes a Directory. It connects to nothing yet.
func New(o Options) *Directory {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Directory{options: o, slots: make(chan struct{}, mostAtOnce)}
}

// Source is what accounts that the directory keeps are marked with.
func (d *Directory) Source() string { return source }

// Authenticate says who has this login and secret. It first finds the person, with the account that looks people up, then binds
// as the person on a connection of its own, which is closed at once. Errors are outside.ErrWrong, *outside.Refused or
// *outside.Unavailable.
func (d *Directory) Authenticate(ctx context.Context, login, secret string) (outside.Found, error) {
	if why := unfit(login); why != "" {
		return outside.Found{}, wrong(why)
	}
	if why := unfitSecret(secret); why != "" {
		return outside.Found{}, wrong(why)
	}
	var found outside.Found
	err := d.ask(ctx, func(ctx context.Context, cfg Config) error {
		var err error
		if cfg.UserDN != "" {
			found, err = asThemselves(ctx, cfg, login, secret)
		} else {
			found, err = byAccount(ctx, cfg, login, secret)
		}
		return err
	})
	return found, err
}

// Find says who has this login, without a secret. It needs the account that looks people up. Somebody who is disabled there is
// *outside.Refused, with Locked.
func (d *Directory) Find(ctx context.Context, login string) (outside.Found, error) {
	if why := unfit(login); why != "" {
		return outside.Found{}, wrong(why)
	}
	return d.look(ctx, func(l *link) (person, error) { return l.findLogin(login) })
}

// FindID is Find by what the directory never changes: whoever was renamed is found, and whoever got the login of another is
// not taken for them.
func (d *Directory) FindID(ctx context.Context, immutable string) (outside.Found, error) {
	return d.look(ctx, func(l *link) (person, error) { return l.findID(immutable) })
}

// ErrNoAccount says that people cannot be looked up without their secret.
var ErrNoAccount = errors.New("no account is configured that looks people up (bind_dn)")

func (d *Directory) look(ctx context.Context, find func(*link) (person, error)) (outside.Found, error) {
	if cfg := d.options.Config(); cfg.Configured() && !cfg.CanFind() {
		return outside.Found{}, &outside.Unavailable{Err: ErrNoAccount}
	}
	var found outside.Found
	err := d.ask(ctx, func(ctx context.Context, cfg Config) error {
		l, err := openService(ctx, cfg)
		if err != nil {
			return err
		}
		defer l.close()
		p, err := find(l)
		if err != nil {
			return err
		}
		found, err = l.found(p)
		return err
	})
	return found, err
}

// byAccount finds the person first, and then has the directory judge the secret.
func byAccount(ctx context.Context, cfg Config, login, secret string) (outside.Found, error) {
	l, err := openService(ctx, cfg)
	if err != nil {
		return outside.Found{}, err
	}
	defer l.close()
	p, err := l.findLogin(login)
	if err != nil {
		return outside.Found{}, err
	}
	if err := judge(ctx, cfg, p.dn, secret); err != nil {
		return outside.Found{}, err
	}
	return l.found(p)
}

// judge binds as a person, on a connection that is used for nothing else.
func judge(ctx context.Context, cfg Config, dn, secret string) error {
	l, err := open(ctx, cfg)
	if err != nil {
		return err
	}
	defer l.close()
	return verdict(l.bind(dn, secret, true))
}

// asThemselves has the person look themselves up.
func asThemselves(ctx context.Context, cfg Config, login, secret string) (outside.Found, error) {
	l, err := open(ctx, cfg)
	if err != nil {
		return outside.Found{}, err
	}
	defer l.close()
	dn := strings.Replace(cfg.UserDN, placeholder, goldap.EscapeDN(login), 1)
	if err := verdict(l.bind(dn, secret, true)); err != nil {
		return outside.Found{}, err
	}
	p, err := l.findOwn(dn, login)
	if errors.Is(err, outside.ErrWrong) {
		// The secret was right: what is missing is leave to read.
		return outside.Found{}, errors.New("a person cannot read their own entry")
	}
	if err != nil {
		return outside.Found{}, err
	}
	return l.found(p)
}

func openService(ctx context.Context, cfg Config) (*link, error) {
	l, err := open(ctx, cfg)
	if err != nil {
		return nil, err
	}
	if err := l.bindService(); err != nil {
		l.close()
		return nil, err
	}
	return l, nil
}

// found completes what is known of a person with their groups, unless they are kept out.
func (l *link) found(p person) (outside.Found, error) {
	if p.barred != "" {
		return outside.Found{}, refused(p.barred, true)
	}
	dns, err := l.groups(p)
	if err != nil {
		return outside.Found{}, err
	}
	return outside.Found{Source: source, Immutable: p.id, Login: p.login, Name: p.name, Groups: l.cfg.named(dns), At: time.Now()}, nil
}

// ask runs one question within the limit of time, and tells the board how the directory is.
func (d *Directory) ask(ctx context.Context, f func(context.Context, Config) error) error {
	cfg := d.options.Config().filled()
	if !cfg.Configured() {
		return &outside.Unavailable{Err: errors.New("no directory is configured")}
	}
	limited, cancel := context.WithTimeout(ctx, cfg.Timeout.D())
	defer cancel()
	select {
	case d.slots <- struct{}{}:
		defer func() { <-d.slots }()
	case <-limited.Done():
		if ctx.Err() != nil {
			return &outside.Unavailable{Err: ctx.Err()}
		}
		return &outside.Unavailable{Err: fmt.Errorf("%d questions were open and none ended within %s", mostAtOnce, cfg.Timeout)}
	}
	err := ours(guard(limited, cfg, f))
	if ctx.Err() == nil { // whoever asked is still there: it was not they who cut it short
		d.note(cfg, err)
	}
	return err
}

// guard keeps an answer that the library cannot digest from ending the daemon.
func guard(ctx context.Context, cfg Config, f func(context.Context, Config) error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the answer cannot be read (%v)", r)
		}
	}()
	return f(ctx, cfg)
}

// ours makes an error one of outside's three.
func ours(err error) error {
	var refused *outside.Refused
	var away *outside.Unavailable
	if err == nil || errors.Is(err, outside.ErrWrong) || errors.As(err, &refused) || errors.As(err, &away) {
		return err
	}
	return &outside.Unavailable{Err: plain(err)}
}

// note raises the condition, or clears it: whatever the directory said of a person, it answered.
func (d *Directory) note(cfg Config, err error) {
	if d.options.Board == nil {
		return
	}
	var away *outside.Unavailable
	if !errors.As(err, &away) {
		d.options.Board.Clear(health.DirectoryUnavailable, source)
		return
	}
	remedy := "See that the directory runs and can be reached, and that people.directory is right: weighpost directory test. Those whom it lets in cannot sign in until then; local people can."
	if cfg.CachedFor() > 0 {
		remedy = fmt.Sprintf("See that the directory runs and can be reached, and that people.directory is right: weighpost directory test. Whoever it let in within the last %s can sign in meanwhile, and the journal marks that.", cfg.CachedFor())
	}
	host := ""
	if u, err := url.Parse(cfg.URL); err == nil {
		host = u.Hostname()
	}
	d.options.Board.Raise(health.Condition{
		Code: health.DirectoryUnavailable, Subject: source, Severity: health.Warning,
		Sentence: fmt.Sprintf("The directory at %s could not be asked: %v.", host, away.Err),
		Remedy:   remedy, From: health.Through(host),
	})
}

// Run looks now and then whether the directory answers, until ctx ends.
func (d *Directory) Run(ctx context.Context) {
	if d.options.Board == nil {
		return
	}
	defer d.options.Board.Clear(health.DirectoryUnavailable, source)
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	for {
		d.Probe(ctx)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// Probe looks once whether the directory answers: connection, TLS, and the account that looks people up.
func (d *Directory) Probe(ctx context.Context) {
	if !d.options.Config().Configured() {
		if d.options.Board != nil {
			d.options.Board.Clear(health.DirectoryUnavailable, source)
		}
		return
	}
	err := d.ask(ctx, func(ctx context.Context, cfg Config) error {
		reach := open
		if cfg.BindDN != "" {
			reach = openService
		}
		l, err := reach(ctx, cfg)
		if err == nil {
			l.close()
		}
		return err
	})
	if err != nil && ctx.Err() == nil {
		d.options.Log.Warn("the directory could not be asked", "error", err)
	}
}
