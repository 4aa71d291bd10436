package access

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"time"

	"weighpost/gateway/record"
)

// state is what the journal says of people: a pure function of its entries up to a sequence. Nothing in it is secret.
type state struct {
	Seq     uint64              `json:"seq"` // entries up to here are in it, and perhaps later ones of our own
	People  map[string]*account `json:"people"`
	Keys    map[string]*program `json:"keys"`
	Open    map[string]open     `json:"open"`  // sessions that began and are not known to have ended, by id
	Roles   []meaning           `json:"roles"` // what roles meant, in order
	Reviews []reviewed          `json:"reviews"`
	First   record.UTC          `json:"first"` // when somebody first had an account or a key; the zero time: nobody yet
}

// account is a person's account as of entry Seq, and how it was before.
type account struct {
	record.Person
	Seq   uint64     `json:"seq"`
	Since record.UTC `json:"since"`
	Past  []version  `json:"past"` // what decided rights, in order; the last is how it is now
}

// version is what decided over somebody's rights from an instant on.
type version struct {
	From     record.UTC  `json:"from"`
	Name     string      `json:"name"`
	Roles    []string    `json:"roles"`
	Disabled bool        `json:"disabled,omitempty"`
	Expires  *record.UTC `json:"expires,omitempty"`
}

// program is a key as of entry Seq.
type program struct {
	record.APIKey
	Seq   uint64     `json:"seq"`
	Since record.UTC `json:"since"`
	By    string     `json:"by"`
	Past  []version  `json:"past"`
}

// open is a session that began.
type open struct {
	Actor   record.Actor `json:"actor"`
	Balance string       `json:"balance,omitempty"`
	Seq     uint64       `json:"seq"`
}

// meaning is what the configuration's own roles meant from an instant on.
type meaning struct {
	Seq   uint64              `json:"seq"`
	From  record.UTC          `json:"from"`
	Roles map[string][]string `json:"roles"`
}

// reviewed is a review of accounts.
type reviewed struct {
	Seq uint64     `json:"seq"`
	At  record.UTC `json:"at"`
}

func newState() *state {
	return &state{People: map[string]*account{}, Keys: map[string]*program{}, Open: map[string]open{}}
}

// reads are the kinds of entry that say something of people.
var reads = map[record.Kind]func(s *state, e record.Entry) error{
	record.KindPersonChanged:    taking((*state).personChanged),
	record.KindAPIKeyChanged:    taking((*state).keyChanged),
	record.KindSignedIn:         taking((*state).signedIn),
	record.KindSignedOut:        taking((*state).signedOut),
	record.KindAccountsReviewed: taking((*state).accountsReviewed),
	record.KindConfigured:       (*state).configured,
}

// taking decodes an entry for what takes it.
func taking[T any](take func(*state, *T)) func(*state, record.Entry) error {
	return func(s *state, e record.Entry) error {
		body := new(T)
		if err := json.Unmarshal(e.JSON, body); err != nil {
			return fmt.Errorf("entry %d, which tells of people, cannot be read: %w", e.Seq, err)
		}
		take(s, body)
		return nil
	}
}

// take takes what one entry says. Taking an entry that was taken already changes nothing, so that what we append is known at once
// and may come again in its place.
func (s *state) take(e record.Entry) error {
	read := reads[e.Kind]
	if read == nil {
		return nil
	}
	return read(s, e)
}

func (s *state) began(at record.UTC) {
	if s.First.Time().IsZero() {
		s.First = at
	}
}

func (s *state) personChanged(c *record.PersonChanged) {
	a := s.People[c.Person]
	if a == nil {
		a = &account{Since: c.Stamp.UTC}
		s.People[c.Person] = a
		s.began(c.Stamp.UTC)
	}
	if c.Seq <= a.Seq {
		return
	}
	a.Person, a.Seq = c.After, c.Seq
	a.Past = remember(a.Past, version{From: c.Stamp.UTC, Name: a.Name, Roles: a.Person.Roles, Disabled: a.Disabled, Expires: a.Expires})
}

func (s *state) keyChanged(c *record.APIKeyChanged) {
	k := s.Keys[c.Key.ID]
	if k == nil {
		k = &program{Since: c.Stamp.UTC, By: c.By.ID}
		s.Keys[c.Key.ID] = k
		s.began(c.Stamp.UTC)
	}
	if c.Seq <= k.Seq {
		return
	}
	k.APIKey, k.Seq = c.Key, c.Seq
	k.Past = remember(k.Past, version{From: c.Stamp.UTC, Name: k.Name, Roles: k.APIKey.Roles, Disabled: k.Revoked, Expires: k.Expires})
}

// remember adds a version where it is another than the last.
func remember(past []version, v version) []version {
	if n := len(past); n > 0 {
		last := past[n-1]
		last.From = v.From
		if reflect.DeepEqual(last, v) {
			return past
		}
	}
	return append(past, v)
}

func (s *state) signedIn(in *record.SignedIn) {
	// Our own entry was taken when it was appended, and the session may have ended since: what is behind Seq is known.
	if in.Seq > s.Seq {
		if _, there := s.Open[in.Session]; !there {
			s.Open[in.Session] = open{Actor: in.By, Balance: string(in.Balance), Seq: in.Seq}
		}
	}
}

func (s *state) signedOut(out *record.SignedOut) { delete(s.Open, out.Session) }

func (s *state) accountsReviewed(r *record.AccountsReviewed) {
	if n := len(s.Reviews); n == 0 || r.Seq > s.Reviews[n-1].Seq {
		s.Reviews = append(s.Reviews, reviewed{Seq: r.Seq, At: r.Stamp.UTC})
	}
}

// configured notes what the configuration's roles mean from here on.
func (s *state) configured(e record.Entry) error {
	var c struct {
		Refused string `json:"refused"`
		Config  struct {
			People struct {
				Roles map[string][]string `json:"roles"`
			} `json:"people"`
		} `json:"configuration"`
		Stamp record.Stamp `json:"stamp"`
	}
	if err := json.Unmarshal(e.JSON, &c); err != nil {
		return fmt.Errorf("entry %d, which tells of the configuration, cannot be read: %w", e.Seq, err)
	}
	n := len(s.Roles)
	if c.Refused != "" || n > 0 && s.Roles[n-1].Seq >= e.Seq {
		return nil
	}
	roles := c.Config.People.Roles
	if n == 0 && len(roles) == 0 || n > 0 && sameRoles(s.Roles[n-1].Roles, roles) {
		return nil
	}
	s.Roles = append(s.Roles, meaning{Seq: e.Seq, From: c.Stamp.UTC, Roles: roles})
	return nil
}

func sameRoles(a, b map[string][]string) bool {
	if len(a) != len(b) {
		return false
	}
	for name, list := range a {
		if other, there := b[name]; !there || !slices.Equal(list, other) {
			return false
		}
	}
	return true
}

// personOf finds an account by its id or login, as it is compared.
func (s *state) personOf(login string) *account {
	want := fold(login)
	var byLogin *account
	for _, a := range s.People {
		if fold(a.ID) == want {
			return a
		}
		if a.Login != "" && fold(a.Login) == want {
			byLogin = a
		}
	}
	return byLogin
}

// known finds the account of somebody whom a directory or a provider knows.
func (s *state) known(source, immutable string) *account {
	for _, a := range s.People {
		if a.Source == source && a.Immutable == immutable && immutable != "" {
			return a
		}
	}
	return nil
}

// badgeOf finds the account that a badge belongs to.
func (s *state) badgeOf(code string) *account {
	for _, a := range s.People {
		if slices.Contains(a.Badges, code) {
			return a
		}
	}
	return nil
}

// expired says whether an account or a key has come to its end.
func expired(at *record.UTC, now time.Time) bool { return at != nil && !now.Before(at.Time()) }

// clone copies a state deep enough that nobody who has the copy sees later changes.
func (s *state) clone() *state {
	c := newState()
	c.Seq, c.First = s.Seq, s.First
	for id, a := range s.People {
		one := *a
		one.Past = slices.Clone(a.Past)
		c.People[id] = &one
	}
	for id, k := range s.Keys {
		one := *k
		one.Past = slices.Clone(k.Past)
		c.Keys[id] = &one
	}
	for id, o := range s.Open {
		c.Open[id] = o
	}
	c.Roles = slices.Clone(s.Roles)
	c.Reviews = slices.Clone(s.Reviews)
	return c
}
