package access

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/access/secret"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// forPeople are rights that no program has.
var forPeople = rights.ForPeople()

// MakeKey makes a key for a program and gives it out this once. It needs the right api-keys, and whoever makes it gives away no
// right that they do not have themselves, but for those of the role machine.
func (b *Book) MakeKey(ctx context.Context, who rights.Who, k rights.NewKey) (rights.MadeKey, error) {
	if err := who.May(rights.APIKeys); err != nil {
		return rights.MadeKey{}, err
	}
	key, err := b.newKey(who, k)
	if err != nil {
		return rights.MadeKey{}, err
	}
	shown, hash, err := secret.NewKey(k.ID)
	if err != nil {
		return rights.MadeKey{}, refuse("%v", err)
	}
	_, err = b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		if s.Keys[k.ID] != nil {
			return nil, refuse("there is, or was, a key %s: the id of a key is never used again", k.ID)
		}
		return one(&record.APIKeyChanged{Change: "made", Key: key, Reason: k.Reason, By: who.Actor, Stamp: at}), nil
	}, func() error { return b.vault.SetKey(k.ID, hash) })
	if err != nil {
		return rights.MadeKey{}, err
	}
	return rights.MadeKey{APIKey: key, Key: shown}, nil
}

// newKey gives the key that is asked for, or why there cannot be such a one.
func (b *Book) newKey(who rights.Who, k rights.NewKey) (key record.APIKey, err error) {
	if err := record.CheckName(k.ID); err != nil {
		return key, refuse("the id of the key %v", err)
	}
	if err := checkName(k.Name); err != nil {
		return key, refuse("what the key is for %v", err)
	}
	if err := checkReason(k.Reason, false); err != nil {
		return key, err
	}
	roles := tidy(k.Roles)
	if len(roles) == 0 {
		return key, refuse("the key has no role: name at least one, such as machine")
	}
	if err := b.checkRoles(roles, nil, "a key"); err != nil {
		return key, err
	}
	set, _ := rightsOf(roles, b.o.Config().AllRoles())
	machine := rights.Defaults()[rights.Machine]
	for _, r := range set.List() {
		if !forPeople.Has(r) && !machine.Has(r) && !who.Rights.Has(r) {
			return key, refuse("these roles give the right %q, which %s does not have and so cannot give to a key", r, who.Actor.Shown())
		}
	}
	if err := limits(who, k.Balances); err != nil {
		return key, err
	}
	now, longest := b.o.Now(), b.o.Config().KeysFor()
	end := now.Add(longest)
	if maker := b.endOfMaker(who); maker != nil && maker.Before(end) {
		if end = *maker; k.Expires != nil && k.Expires.After(end) {
			return key, refuse("a key that a program makes is good no longer than the program's own, which is until %s", end.UTC().Format(time.RFC3339))
		}
	}
	if k.Expires != nil && !k.Expires.IsZero() {
		switch {
		case !k.Expires.After(now):
			return key, refuse("the key would have come to its end already")
		case k.Expires.After(end):
			return key, refuse("a key is good for at most %s here (people: keys: longest): choose an earlier end", longest)
		}
		end = *k.Expires
	}
	until := record.UTC(end.UTC().Truncate(time.Second))
	return record.APIKey{ID: k.ID, Name: k.Name, Roles: roles, Expires: &until, Balances: slices.Clone(k.Balances)}, nil
}

// limits says why a key cannot be limited to these balances. Whoever is limited themselves gives no more than they have.
func limits(who rights.Who, balances []string) error {
	if balances != nil && len(balances) == 0 {
		return refuse("the key would be limited to no balance at all: name some, or leave balances out for all")
	}
	for _, id := range balances {
		if err := record.CheckName(id); err != nil {
			return refuse("the id of a balance %v", err)
		}
	}
	if who.Balances == nil {
		return nil
	}
	more := len(balances) == 0
	for _, id := range balances {
		more = more || !slices.Contains(who.Balances, id)
	}
	if more {
		return refuse("%s is limited to some balances, and gives no key for others: name some of %s", who.Actor.Shown(), strings.Join(who.Balances, ", "))
	}
	return nil
}

// endOfMaker is when the key that asks comes to its end, nil where nobody's key asks: a key that is to be made outlasts no other,
// or whoever has one would have it for good.
func (b *Book) endOfMaker(who rights.Who) (end *time.Time) {
	if who.Person != "" || who.Actor.By != record.ActorAPIKey {
		return nil
	}
	b.look(func(s *state) {
		if k := s.Keys[who.Actor.ID]; k != nil && k.Expires != nil {
			at := k.Expires.Time()
			end = &at
		}
	})
	return end
}

// RevokeKey ends a key at once. It needs the right api-keys.
func (b *Book) RevokeKey(ctx context.Context, who rights.Who, id, reason string) error {
	if err := who.May(rights.APIKeys); err != nil {
		return err
	}
	if err := checkReason(reason, true); err != nil {
		return err
	}
	handed := false
	_, err := b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		k := s.Keys[id]
		switch {
		case k == nil:
			return nil, errNoKey
		case k.Revoked:
			return nil, refuse("the key %s was revoked already", id)
		}
		key := k.APIKey
		key.Revoked, handed = true, true
		return one(&record.APIKeyChanged{Change: "revoked", Key: key, Reason: reason, By: who.Actor, Stamp: at}), nil
	}, func() error { return b.vault.SetKey(id, "") })
	if err != nil && handed { // rights end also where nothing can be recorded; that they did is then not known after a restart
		b.barred.Store(id, true)
		return fmt.Errorf("the key %s is no longer good from now on, and the journal does not say so: revoke it again once it records: %w", id, err)
	}
	return err
}

var errNoKey = &rights.Refused{Why: "there is no key with this id"}

// Keys lists every key, by id. It needs the right read-people or api-keys.
func (b *Book) Keys(who rights.Who) ([]rights.KeyView, error) {
	if err := who.May(rights.ReadPeople); err != nil && who.May(rights.APIKeys) != nil {
		return nil, err
	}
	list := []rights.KeyView{}
	b.look(func(s *state) {
		for _, id := range slices.Sorted(maps.Keys(s.Keys)) {
			list = append(list, b.keyView(s.Keys[id]))
		}
	})
	return list, nil
}

func (b *Book) keyView(k *program) rights.KeyView {
	return rights.KeyView{APIKey: k.APIKey, Seq: k.Seq, Made: k.Since.Time().UTC(), By: k.By, Rights: k.may(b.o.Config().AllRoles(), b.o.Now()).List()}
}

// may gives what a key may do now.
func (k *program) may(all map[string]rights.Set, now time.Time) rights.Set {
	if k.Revoked || expired(k.Expires, now) {
		return rights.Set{}
	}
	set, _ := rightsOf(k.APIKey.Roles, all)
	for r := range forPeople {
		delete(set, r)
	}
	return set
}

// WhoseKey says which program a key belongs to. rights.ErrNoSession where it belongs to none or is no longer good; a *rights.Refused
// where it was mistyped. address is where it comes from, without the port.
func (b *Book) WhoseKey(key, address, where string) (rights.Who, error) {
	f := from{way: record.ActorAPIKey, address: address, where: where}
	id, hash, err := secret.ParseKey(key)
	if err != nil {
		b.refusals.note(refusal{address: address, way: f.way, why: err.Error()}, false)
		if errors.Is(err, secret.ErrMistyped) {
			return rights.Who{}, &rights.Refused{Why: err.Error()}
		}
		return rights.Who{}, rights.ErrNoSession
	}
	var k *program
	b.look(func(s *state) {
		if there := s.Keys[id]; there != nil {
			one := *there
			k = &one
		}
	})
	why := ""
	switch {
	case k == nil:
		why = "there is no key of this id"
	case k.Revoked, b.isBarred(id):
		why = "the key " + id + " was revoked"
	case !secret.SameHash(b.vault.Key(id), hash):
		why = "a key with the id " + id + " that is not the right one"
	case expired(k.Expires, b.o.Now()):
		why = "the key " + id + " came to its end"
	default:
		return rights.Who{
			Actor:  record.Actor{ID: id, Name: k.Name, Role: strings.Join(k.APIKey.Roles, ", "), By: record.ActorAPIKey, Where: where},
			Rights: k.may(b.o.Config().AllRoles(), b.o.Now()), Known: true, Balances: slices.Clone(k.APIKey.Balances),
		}, nil
	}
	b.refusals.note(refusal{address: address, way: f.way, why: why}, false)
	return rights.Who{}, rights.ErrNoSession
}

// isBarred says whether a key was revoked and that could not be recorded.
func (b *Book) isBarred(id string) bool {
	_, there := b.barred.Load(id)
	return there
}
