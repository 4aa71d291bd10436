package access

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"weighpost/gateway/access/secret"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// setUpName is the file with the one-time token.
const setUpName = "set-up.token"

// SetUpFile is where the one-time token is; "" where none waits.
func (b *Book) SetUpFile() string {
	if !b.vault.SetUpDue() {
		return ""
	}
	return filepath.Join(b.o.Dir, setUpName)
}

// setUpToken makes the one-time token of the first start, while there is no account at all, and ends it once there is somebody
// who looks after accounts.
func (b *Book) setUpToken() error {
	b.mu.RLock()
	administrators, people := b.state.administrators(b.o.Config().AllRoles(), b.o.Now()), len(b.state.People)
	b.mu.RUnlock()
	switch {
	case administrators > 0 && b.vault.SetUpDue():
		if err := b.vault.SpendSetUp(); err != nil {
			return fmt.Errorf("the set-up token cannot be ended: %w", err)
		}
	case people == 0 && !b.vault.SetUpDue() && !b.o.Aside:
		path, err := b.vault.MakeSetUp()
		if err != nil {
			return fmt.Errorf("the set-up token cannot be made: %w", err)
		}
		b.o.Log.Info("the first administrator can be set up with the token in this file, or with weighpost people add", "file", path)
	}
	return nil
}

// strangeSetUp ends a set-up token that is another computer's: of a disk that was copied, or of a journal that was restored, whose
// token does not come along. Otherwise one token would be good twice.
func (b *Book) strangeSetUp() error {
	if b.o.Aside || !b.vault.SetUpDue() {
		return nil
	}
	_, err := os.Lstat(filepath.Join(b.o.Dir, setUpName))
	if err == nil && !b.o.Moved {
		return nil
	}
	if err := b.vault.SpendSetUp(); err != nil {
		return fmt.Errorf("the set-up token of another computer cannot be ended: %w", err)
	}
	return nil
}

// administrators counts those who can look after accounts now.
func (s *state) administrators(all map[string]rights.Set, now time.Time) (n int) {
	for _, a := range s.People {
		if a.administers(all, now) {
			n++
		}
	}
	return n
}

// administers says whether somebody can look after accounts. A lock ends by itself or by another, and does not count.
func (a *account) administers(all map[string]rights.Set, now time.Time) bool {
	set, _ := rightsOf(a.Person.Roles, all)
	return set.Has(rights.People) && !a.Disabled && !expired(a.Expires, now)
}

// Ways says how people can sign in now.
func (b *Book) Ways() rights.Ways {
	cfg := b.o.Config()
	w := rights.Ways{SetUp: b.vault.SetUpDue(), Badge: cfg.Badge.SignIn, PIN: cfg.Badge.PIN}
	if p := b.provider(); p != nil {
		w.OpenID = p.Source()
	}
	return w
}

// Policy says what the configuration asks of secrets, keys and reviews.
func (b *Book) Policy() rights.Policy {
	cfg := b.o.Config()
	p := rights.Policy{
		PasswordMinimum: cfg.Password.Policy(b.o.Site).Minimum, PasswordReuse: cfg.Password.Reuse, PasswordExpires: cfg.Password.Expires.D(),
		PINMinimum: cfg.PIN.Policy().Least(), KeysFor: cfg.KeysFor(), ReviewEvery: cfg.Review.Every.D(),
	}
	b.look(func(s *state) { p.ReviewDue = s.reviewDue(p.ReviewEvery) })
	return p
}

// SetUp makes the first administrator, for whoever has the one-time token, and signs them in. The role is it where none is named.
// The token is good for nothing else and for nothing after that.
func (b *Book) SetUp(ctx context.Context, token string, p rights.NewPerson, address, where string) (rights.Session, error) {
	f := from{way: "set-up", address: address, where: where}
	y, err := b.throttle.Begin(secret.Attempt{Way: secret.SetUp, Account: "set-up", Known: false, Address: address})
	if err != nil {
		return rights.Session{}, b.blocked(f, nil, err)
	}
	if !b.vault.SetUpDue() || !b.vault.IsSetUp(strings.TrimSpace(token)) {
		y.Wrong()
		b.refused(f, nil, "the set-up token is wrong, or none waits", false)
		return rights.Session{}, rights.ErrWrong
	}
	y.Right()
	if len(p.Roles) == 0 {
		p.Roles = []string{rights.IT}
	}
	set, _ := rightsOf(p.Roles, b.o.Config().AllRoles())
	if !set.Has(rights.People) {
		return rights.Session{}, &rights.Refused{Why: fmt.Sprintf("the first account has to look after the others: one of its roles needs the right %q", rights.People)}
	}
	if p.Secret == "" {
		return rights.Session{}, &rights.Refused{Why: "the first account needs a secret: its owner chooses it here"}
	}
	by := record.Actor{ID: p.ID, Name: p.Name, Role: strings.Join(p.Roles, ", "), By: record.ActorToken, Where: "set-up, " + where}
	who := rights.Host(by)
	if _, err := b.add(ctx, who, p, false, func(s *state) error {
		if s.administrators(b.o.Config().AllRoles(), b.o.Now()) > 0 {
			return errors.New("there is somebody who looks after accounts already: sign in, or ask them")
		}
		return nil
	}); err != nil {
		return rights.Session{}, err
	}
	if err := b.setUpToken(); err != nil {
		return rights.Session{}, err
	}
	return b.SignIn(ctx, rights.SignIn{Login: p.ID, Secret: p.Secret, Address: address, Where: where})
}
