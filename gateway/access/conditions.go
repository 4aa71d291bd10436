package access

import (
	"fmt"
	"strings"

	"weighpost/gateway/access/secret"
	"weighpost/gateway/health"
	"weighpost/gateway/rights"
)

// tell raises what is wrong with accounts now, and clears what is over.
func (b *Book) tell() {
	if b.o.Board == nil {
		return
	}
	b.telling.Lock()
	defer b.telling.Unlock()
	list := b.conditions()
	holds := map[health.Ref]bool{}
	for _, c := range list {
		holds[c.Ref()] = true
		b.o.Board.Raise(c)
	}
	for ref := range b.told {
		if !holds[ref] {
			b.o.Board.Clear(ref.Code, ref.Subject)
		}
	}
	b.told = holds
}

func (b *Book) conditions() (list []health.Condition) {
	if b.failed != nil {
		return []health.Condition{Unavailable(b.failed)}
	}
	cfg, now := b.o.Config(), b.o.Now()
	all := cfg.AllRoles()
	bare := 0 // people whose secret the journal knows of and the vault has not
	b.look(func(s *state) {
		list = append(list, b.ofAll(s, cfg)...)
		for _, a := range s.People {
			list = append(list, b.ofPerson(a, all)...)
			if a.HasSecret && a.Source == localSource && !a.Disabled {
				if k, there := b.vault.Person(a.ID); !there || k.Hash == "" {
					bare++
				}
			}
		}
		for _, k := range s.Keys {
			if _, unknown := rightsOf(k.APIKey.Roles, all); len(unknown) > 0 && !k.Revoked && !expired(k.Expires, now) {
				list = append(list, unknownRoles("the key "+k.ID, k.ID, unknown))
			}
		}
	})
	list = append(list, b.signings.conditions(now)...)
	if bare > 0 {
		list = append(list, health.Condition{Code: health.SecretsMissing, Subject: "people", Severity: health.Warning,
			Sentence: fmt.Sprintf("The secrets of %d people are not there: the journal says that they were set, and %s does not have them.", bare, b.vault.Path()),
			Remedy:   "Put the file back from a backup that holds it, or reset each secret: weighpost people reset-secret, on the computer of the journal."})
	}
	return list
}

// Unavailable is the condition that accounts cannot be read.
func Unavailable(err error) health.Condition {
	return health.Condition{
		Code: health.PeopleUnavailable, Subject: "people", Severity: health.Error,
		Sentence: fmt.Sprintf("Nobody can sign in and no key is good, but for the token of this computer: %v.", err),
		Remedy:   "Mend what the sentence names, and restart weighpost. Recording and delivery go on.",
	}
}

// ofAll gives what is wrong with accounts as a whole.
func (b *Book) ofAll(s *state, cfg *Config) (list []health.Condition) {
	used := len(s.People)+len(s.Keys) > 0 || !cfg.VisitorsSee() || cfg.Directory.Configured()
	if used && s.administrators(cfg.AllRoles(), b.o.Now()) == 0 {
		c := health.Condition{Code: health.NoAdministrator, Subject: "people", Severity: health.Notice,
			Sentence: "Nobody who could sign in looks after accounts.",
			Remedy:   "Give somebody a role with the right people on the computer of the journal: weighpost people add, or change."}
		if file := b.SetUpFile(); file != "" {
			c.Sentence = fmt.Sprintf("Nobody who could sign in looks after accounts yet: the one-time token for setting up the first waits in %s.", file)
			c.Remedy = "Sign in with that token once, or run weighpost people add on the computer of the journal."
		}
		list = append(list, c)
	}
	if due := s.reviewDue(cfg.Review.Every.D()); !due.IsZero() && b.o.Now().After(due) {
		list = append(list, health.Condition{Code: health.AccountReviewOverdue, Subject: "people", Severity: health.Warning,
			Sentence: fmt.Sprintf("The accounts and what they may do should have been looked over by %s.", due.UTC().Format("2006-01-02 15:04 UTC")),
			Remedy:   "Look through weighpost people list and weighpost keys list, and note what was found: weighpost people review."})
	}
	return list
}

// ofPerson gives what is wrong with one account.
func (b *Book) ofPerson(a *account, all map[string]rights.Set) (list []health.Condition) {
	if a.Disabled || expired(a.Expires, b.o.Now()) {
		return nil
	}
	locked, until := b.throttle.Locked(secret.Password, a.ID)
	pin, _ := b.throttle.Locked(secret.PIN, a.ID)
	if locked || pin || a.Locked {
		list = append(list, lockedCondition(a, until.UTC().Format("15:04:05 UTC"), a.Locked || locked && until.IsZero() || pin, pin && !locked && !a.Locked))
	}
	set, unknown := rightsOf(a.Person.Roles, all)
	if len(unknown) > 0 {
		list = append(list, unknownRoles(fmt.Sprintf("%s (%s)", a.ID, a.Name), a.ID, unknown))
	}
	if bothHands(set) {
		list = append(list, health.Condition{Code: health.RightsJoined, Subject: a.ID, Severity: health.Warning,
			Sentence: fmt.Sprintf("%s (%s) may review the trail and may change people or settings: they can review what they did themselves.", a.ID, a.Name),
			Remedy:   "Give one of the two to somebody else (weighpost people change), or keep the reason at hand: FDA guidance on data integrity, 2018, question 4."})
	}
	return list
}

func lockedCondition(a *account, until string, good, pin bool) health.Condition {
	what := "The account"
	if pin {
		what = "The PIN"
	}
	c := health.Condition{Code: health.AccountLocked, Subject: a.ID, Severity: health.Warning,
		Sentence: fmt.Sprintf("%s of %s (%s) is locked until %s: too many attempts to sign in with it failed.", what, a.ID, a.Name, until),
		Remedy:   "Ask them whether it was them. If not, somebody is guessing: see the entries sign-in-refused for where from."}
	if good {
		c.Sentence = fmt.Sprintf("%s of %s (%s) is locked: too many attempts to sign in with it failed.", what, a.ID, a.Name)
		c.Remedy += " Unlock it with weighpost people change --unlock."
	}
	return c
}

func unknownRoles(whose, subject string, unknown []string) health.Condition {
	return health.Condition{Code: health.RoleUnknown, Subject: subject, Severity: health.Warning,
		Sentence: fmt.Sprintf("%s has a role that the configuration does not name, and nothing from it: %s.", capital(whose), strings.Join(unknown, ", ")),
		Remedy:   "Name the role again in the configuration (people: roles), or give them another: weighpost people change."}
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
