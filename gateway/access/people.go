package access

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/access/secret"
	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const mostReason = 500 // characters

func refuse(format string, args ...any) error {
	return &rights.Refused{Why: fmt.Sprintf(format, args...)}
}

// checkReason says why a text cannot be a reason.
func checkReason(reason string, needed bool) error {
	switch {
	case needed && strings.TrimSpace(reason) == "":
		return refuse("this needs a reason: say why in a few words")
	case len([]rune(reason)) > mostReason:
		return refuse("the reason has %d characters: at most %d are allowed", len([]rune(reason)), mostReason)
	case harmless(reason) != reason && len([]rune(reason)) <= refusedText:
		return refuse("the reason holds characters that cannot be seen: write it on one line")
	}
	return nil
}

// AddPerson makes an account. It needs the right people. A secret that is given can only be used to choose another.
func (b *Book) AddPerson(ctx context.Context, who rights.Who, p rights.NewPerson) (rights.PersonView, error) {
	if err := who.May(rights.People); err != nil {
		return rights.PersonView{}, err
	}
	return b.add(ctx, who, p, true, nil)
}

func (b *Book) add(ctx context.Context, who rights.Who, p rights.NewPerson, reset bool, also func(*state) error) (rights.PersonView, error) {
	after, err := b.newPerson(p)
	if err == nil {
		err = b.mayGive(who, "", nil, after.Roles)
	}
	if err != nil {
		return rights.PersonView{}, err
	}
	hash := ""
	if p.Secret != "" {
		if hash, err = b.hash(ctx, p.Secret, &account{Person: after}); err != nil {
			return rights.PersonView{}, err
		}
		after.HasSecret, after.Reset = true, reset
	}
	_, err = b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		if also != nil {
			if err := also(s); err != nil {
				return nil, refuse("%v", err)
			}
		}
		if err := s.free(p.ID, p.Login, ""); err != nil {
			return nil, err
		}
		return one(&record.PersonChanged{Person: p.ID, Change: "added", After: after, Reason: p.Reason, By: who.Actor, Stamp: at}), nil
	}, func() error {
		if hash == "" {
			return nil
		}
		return b.keep(p.ID, func(k *secret.Kept) { *k = secret.Kept{}; k.SetPassword(hash, b.o.Now(), reset) })
	})
	if err != nil {
		return rights.PersonView{}, err
	}
	b.warn(ctx, b.setUpToken())
	return b.view(p.ID)
}

// newPerson gives the account that is asked for, or why there cannot be such a one.
func (b *Book) newPerson(p rights.NewPerson) (after record.Person, err error) {
	if err := CheckID(p.ID); err != nil {
		return after, refuse("the id %v", err)
	}
	if err := checkName(p.Name); err != nil {
		return after, refuse("the name %v", err)
	}
	if err := checkReason(p.Reason, false); err != nil {
		return after, err
	}
	after = record.Person{ID: p.ID, Name: p.Name, Roles: tidy(p.Roles), Source: localSource}
	if p.Login != "" && p.Login != p.ID {
		if err := CheckID(p.Login); err != nil {
			return after, refuse("the login %v", err)
		}
		after.Login = p.Login
	}
	if p.Expires != nil && !p.Expires.IsZero() {
		at := record.UTC(p.Expires.UTC())
		after.Expires = &at
	}
	return after, b.checkRoles(after.Roles, nil, p.Reason)
}

// tidy sorts roles and leaves out what is there twice.
func tidy(roles []string) []string {
	roles = slices.Clone(roles)
	slices.Sort(roles)
	roles = slices.Compact(roles)
	if roles == nil {
		roles = []string{}
	}
	return roles
}

// checkRoles says why somebody may not be given roles. Those that they have already may stay, also where the configuration has
// them no more.
func (b *Book) checkRoles(roles, before []string, reason string) error {
	all := b.o.Config().AllRoles()
	for _, name := range roles {
		if _, there := all[name]; !there && !slices.Contains(before, name) {
			return refuse("there is no role %.60q: there are %s", name, strings.Join(slices.Sorted(maps.Keys(all)), ", "))
		}
	}
	if set, _ := rightsOf(roles, all); bothHands(set) && strings.TrimSpace(reason) == "" {
		return refuse("these roles join reviewing the trail with looking after people or settings: that needs a reason, and stays as a warning")
	}
	return nil
}

// free says why an id or login cannot be taken. but is the account that may have it already.
func (s *state) free(id, login, but string) error {
	for _, name := range []string{id, login} {
		if name == "" {
			continue
		}
		if other := s.personOf(name); other != nil && other.ID != but {
			return refuse("%s is the id or login of %s (%s), and an id is never given to another person, also when an account is disabled: choose another", name, other.ID, other.Name)
		}
	}
	return nil
}

// hash makes the hash of a new secret, or says why it may not be chosen.
func (b *Book) hash(ctx context.Context, chosen string, a *account) (string, error) {
	if err := b.o.Config().Password.Policy(b.o.Site).Check(chosen, a.ID, a.Name, a.Login); err != nil {
		return "", refuse("%v", err)
	}
	return b.o.Hasher.Hash(ctx, chosen)
}

// keep changes what is kept in the vault of a person, after the entry that says so. Where it cannot be kept, whoever asked is told;
// the account then has the secret that it had, or none, and it is to be set again.
func (b *Book) keep(id string, change func(*secret.Kept)) error {
	err := b.vault.Change(id, func(k *secret.Kept) error { change(k); return nil })
	if err != nil {
		b.o.Log.Error("a secret was recorded as set and could not be kept", "person", id, "err", err)
		return fmt.Errorf("the journal says that a secret of %s was set, and it could not be kept: set it again once this is mended: %w", id, err)
	}
	return nil
}

// ChangePerson changes an account, as it was seen. It needs the right people. Disabling it ends its sessions. The last one who
// looks after accounts cannot be disabled nor lose that, but by the owner of the journal's files.
func (b *Book) ChangePerson(ctx context.Context, who rights.Who, id string, c rights.PersonChange) (rights.PersonView, error) {
	if err := who.May(rights.People); err != nil {
		return rights.PersonView{}, err
	}
	if err := checkReason(c.Reason, true); err != nil {
		return rights.PersonView{}, err
	}
	disabled := false
	_, err := b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		a, err := s.seen(id, c.Seen)
		if err != nil {
			return nil, err
		}
		after, what, err := b.changed(s, a, c)
		if err != nil {
			return nil, err
		}
		if err := errors.Join(b.mayGive(who, a.ID, a.Person.Roles, after.Roles), mayLengthen(who, a, after.Expires), b.keepsOne(s, who, a, after)); err != nil {
			return nil, err
		}
		if what == "" {
			return nil, refuse("nothing would change")
		}
		disabled = after.Disabled && !a.Disabled
		before := a.Person
		return one(&record.PersonChanged{Person: id, Change: what, Before: &before, After: after, Reason: c.Reason, By: who.Actor, Stamp: at}), nil
	}, func() error {
		if disabled {
			b.endDisabled(id, who.Actor)
		}
		return nil
	})
	if err != nil && disabled { // their rights end also where nothing can be recorded, and then nobody signs in anew
		b.sessions.EndPerson(id, "", session.Disabled, &who.Actor)
	}
	if err == nil && c.Unlock {
		err = b.unlock(id)
	}
	if err != nil {
		return rights.PersonView{}, err
	}
	b.noteEnds(ctx)
	b.tell()
	return b.view(id)
}

// unlock lets attempts be looked at again.
func (b *Book) unlock(id string) error {
	return errors.Join(b.throttle.Unlock(secret.Password, id), b.throttle.Unlock(secret.PIN, id))
}

// seen gives an account, if it is as it was seen. 0: in any case.
func (s *state) seen(id string, seq uint64) (*account, error) {
	a := s.People[id]
	if a == nil {
		return nil, rights.ErrNoPerson
	}
	if seq != 0 && seq != a.Seq {
		return nil, &rights.Conflict{What: "the account " + id, Seen: seq, Now: a.Seq}
	}
	return a, nil
}

// changed gives an account as it is asked to be, and the word for the change, "" where it is none.
func (b *Book) changed(s *state, a *account, c rights.PersonChange) (after record.Person, what string, err error) {
	after = a.copy().Person
	if a.Source != localSource && (c.Name != nil || c.Roles != nil || c.Login != nil) {
		return after, "", refuse("name, login and roles of %s come from %s: change them there", a.ID, a.Source)
	}
	if c.Name != nil {
		if err := checkName(*c.Name); err != nil {
			return after, "", refuse("the name %v", err)
		}
		after.Name = *c.Name
	}
	if c.Roles != nil {
		after.Roles = tidy(*c.Roles)
		if err := b.checkRoles(after.Roles, a.Person.Roles, c.Reason); err != nil {
			return after, "", err
		}
	}
	if c.Login != nil {
		if after.Login, err = s.login(a, *c.Login); err != nil {
			return after, "", err
		}
	}
	if c.Expires != nil {
		after.Expires = nil
		if c.Expires.Year() > 1 {
			at := record.UTC(c.Expires.UTC())
			after.Expires = &at
		}
	}
	return after, b.word(a, &after, c), nil
}

func (s *state) login(a *account, login string) (string, error) {
	if login == "" || login == a.ID {
		return "", nil
	}
	if err := CheckID(login); err != nil {
		return "", refuse("the login %v", err)
	}
	return login, s.free("", login, a.ID)
}

// word names the change, and carries out those that have a word of their own.
func (b *Book) word(a *account, after *record.Person, c rights.PersonChange) (what string) {
	if c.Unlock {
		locked, _ := b.throttle.Locked(secret.Password, a.ID)
		pin, _ := b.throttle.Locked(secret.PIN, a.ID)
		if after.Locked = false; a.Locked || locked || pin {
			what = "unlocked"
		}
	}
	if c.Disabled != nil && *c.Disabled != a.Disabled {
		if after.Disabled = *c.Disabled; after.Disabled {
			what = "disabled"
		} else {
			what = "enabled"
		}
	}
	same := after.Name == a.Name && slices.Equal(after.Roles, a.Person.Roles) && after.Login == a.Login && sameTime(after.Expires, a.Expires)
	if !same {
		what = cmp.Or(what, "changed")
	}
	return what
}

func sameTime(a, b *record.UTC) bool {
	return a == nil && b == nil || a != nil && b != nil && a.Time().Equal(b.Time())
}

// keepsOne refuses a change after which nobody would look after accounts. The owner of the journal's files may, with a reason.
func (b *Book) keepsOne(s *state, who rights.Who, a *account, after record.Person) error {
	all, now := b.o.Config().AllRoles(), b.o.Now()
	later := account{Person: after}
	// An end that is set for later would leave nobody then.
	if after.Expires != nil && !sameTime(after.Expires, a.Expires) {
		later.Disabled = true
	}
	if host(who) || !a.administers(all, now) || later.administers(all, now) {
		return nil
	}
	if s.administrators(all, now) > 1 {
		return nil
	}
	return refuse("%s is the last one who looks after accounts: give somebody else a role with the right %q first. Only a command on the computer of the journal may do this, with a reason", a.ID, rights.People)
}

// AddBadge gives a badge to somebody. It needs the right people. A badge belongs to one person.
func (b *Book) AddBadge(ctx context.Context, who rights.Who, id, code, reason string) (rights.PersonView, error) {
	return b.badge(ctx, who, id, reason, "badge-added", func(s *state, after *record.Person) error {
		if err := record.CheckContextID(code); err != nil {
			return refuse("the badge's code %v", err)
		}
		if other := s.badgeOf(code); other != nil {
			return refuse("this badge belongs to %s (%s): end it there first", other.ID, other.Name)
		}
		if len(after.Badges) >= 16 {
			return refuse("%s has 16 badges already: end one first", id)
		}
		after.Badges = append(after.Badges, code)
		return nil
	})
}

// EndBadge takes a badge away at once. It needs the right people.
func (b *Book) EndBadge(ctx context.Context, who rights.Who, id, code, reason string) (rights.PersonView, error) {
	return b.badge(ctx, who, id, reason, "badge-ended", func(_ *state, after *record.Person) error {
		if !slices.Contains(after.Badges, code) {
			return refuse("%s has no such badge", id)
		}
		after.Badges = slices.DeleteFunc(after.Badges, func(c string) bool { return c == code })
		return nil
	})
}

func (b *Book) badge(ctx context.Context, who rights.Who, id, reason, word string, change func(*state, *record.Person) error) (rights.PersonView, error) {
	if err := who.May(rights.People); err != nil {
		return rights.PersonView{}, err
	}
	if err := checkReason(reason, word == "badge-ended"); err != nil {
		return rights.PersonView{}, err
	}
	_, err := b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		a, err := s.seen(id, 0)
		if err != nil {
			return nil, err
		}
		before, after := a.Person, a.copy().Person
		if err := change(s, &after); err != nil {
			return nil, err
		}
		return one(&record.PersonChanged{Person: id, Change: word, Before: &before, After: after, Reason: reason, By: who.Actor, Stamp: at}), nil
	}, func() error {
		if word == "badge-ended" { // who signed in with it is signed out
			b.endWays(id, &who.Actor, record.ActorBadge, record.ActorBadgePIN)
		}
		return nil
	})
	if err != nil {
		return rights.PersonView{}, err
	}
	b.noteEnds(ctx)
	return b.view(id)
}

// People lists every account, by id, and the sequence as of which. It needs the right read-people.
func (b *Book) People(who rights.Who) ([]rights.PersonView, uint64, error) {
	if err := who.May(rights.ReadPeople); err != nil {
		return nil, 0, err
	}
	list, head := []rights.PersonView{}, b.o.Journal.Head()
	b.look(func(s *state) {
		for _, id := range slices.Sorted(maps.Keys(s.People)) {
			list = append(list, b.viewOf(s.People[id].copy()))
		}
	})
	return list, head, nil
}

// Person gives one account. It needs the right read-people, or it is one's own.
func (b *Book) Person(who rights.Who, id string) (rights.PersonView, error) {
	if err := who.May(rights.ReadPeople); err != nil && (id == "" || id != who.Person) {
		return rights.PersonView{}, err
	}
	return b.view(id)
}

func (b *Book) view(id string) (rights.PersonView, error) {
	a := b.person(id)
	if a == nil {
		return rights.PersonView{}, rights.ErrNoPerson
	}
	return b.viewOf(a), nil
}

func (b *Book) viewOf(a *account) rights.PersonView {
	cfg := b.o.Config()
	set, unknown := a.may(cfg.AllRoles(), b.o.Now())
	v := rights.PersonView{Person: a.Person, Seq: a.Seq, Rights: set.List(), Unknown: unknown, Since: a.Since.Time().UTC()}
	if !v.Locked {
		v.Locked, _ = b.throttle.Locked(secret.Password, a.ID)
	}
	if after := cfg.Password.Expires.D(); after > 0 && a.HasSecret && a.Source == localSource {
		if k, there := b.vault.Person(a.ID); there && k.Hash != "" {
			until := k.Set.Add(after).UTC().Truncate(time.Second)
			v.Until = &until
		}
	}
	return v
}

// Roles lists the roles that there are. It needs the right read-people or read-settings.
func (b *Book) Roles(who rights.Who) ([]rights.RoleView, error) {
	if err := who.May(rights.ReadPeople); err != nil && who.May(rights.ReadSettings) != nil {
		return nil, err
	}
	all, standing, count := b.o.Config().AllRoles(), rights.Defaults(), map[string]int{}
	b.look(func(s *state) {
		for _, a := range s.People {
			for _, r := range a.Person.Roles {
				count[r]++
			}
		}
	})
	var list []rights.RoleView
	for _, name := range slices.Sorted(maps.Keys(all)) {
		_, d := standing[name]
		list = append(list, rights.RoleView{Name: name, Rights: all[name].List(), Default: d, People: count[name]})
	}
	return list, nil
}
