package access

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/access/ldap"
	"weighpost/gateway/access/openid"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
)

// Config is who may do what, and how people show who they are.
type Config struct {
	Visitors  string                `yaml:"visitors" desc:"What anybody on this computer may do without signing in. see: look at balances, the journal, settings and measurements. nothing: only sign in. From other computers a visitor may do nothing." enum:"see,nothing" default:"see"`
	Password  secret.PasswordConfig `yaml:"password" desc:"Which passwords may be chosen."`
	PIN       secret.PINConfig      `yaml:"pin" desc:"Which PINs may be chosen, and what they are good for."`
	Lock      secret.LockConfig     `yaml:"lock" desc:"When attempts that fail lock an account."`
	Session   session.Config        `yaml:"session" desc:"How long people stay signed in."`
	Badge     BadgeConfig           `yaml:"badge" desc:"How people sign in with a badge at a bench."`
	SignIdle  strict.Duration       `yaml:"sign_idle" desc:"After so long without a signature somebody gives id and secret again to sign, not the secret alone: 1m to 2h. So they do after each sign-in (21 CFR 11.200(a)(1))." default:"15m"`
	Keys      KeyConfig             `yaml:"keys" desc:"Keys for programs."`
	Roles     map[string][]string   `yaml:"roles" desc:"Roles of the lab's own, beside operator, reviewer, balance-keeper, it, auditor and machine: a name, and a list of rights. Who has a role that is not here any more has nothing from it."`
	Directory ldap.Config           `yaml:"directory" desc:"A directory (LDAP) that judges people's secrets and says in which groups they are."`
	OpenID    openid.Config         `yaml:"openid" desc:"A provider at whose pages people sign in (OpenID Connect)."`
	Review    ReviewConfig          `yaml:"review" desc:"How often somebody looks over who has an account and which rights."`
	Shifts    []string              `yaml:"shifts" desc:"Times of day, by this computer's zone, at which a shift ends and people are signed out: [\"06:00\", \"14:00\", \"22:00\"]."`
}

// BadgeConfig is how people sign in with a badge.
type BadgeConfig struct {
	SignIn bool `yaml:"sign_in" desc:"true: a badge that is scanned at a balance signs its person in there. A badge alone identifies: its person may look and weigh there, and nothing else." default:"false"`
	PIN    bool `yaml:"pin" desc:"true: a badge signs in only together with its person's PIN, who may then also send the balance commands, check it, and go on with runs of procedures there." default:"false"`
	// Operators limits who may do so.
	Operators bool `yaml:"operators" desc:"true: only people with the right operate-anywhere sign in at a bench." default:"false"`
}

// KeyConfig is how keys for programs are.
type KeyConfig struct {
	Longest strict.Duration `yaml:"longest" desc:"How long a key is good at most, and is where nothing else is said: 1h to 43800h (five years)." default:"8760h"`
}

// ReviewConfig is when accounts are looked over.
type ReviewConfig struct {
	Every strict.Duration `yaml:"every" desc:"How often accounts are to be looked over, 24h to 17520h (two years): after that a condition says that it is overdue. Left out: it is never said (21 CFR 11.300(b) asks for it)."`
}

const (
	visitorsSee     = "see"
	visitorsNothing = "nothing"
	localSource     = "local"

	signIdle   = strict.Duration(15 * time.Minute)
	longestKey = strict.Duration(8760 * time.Hour)
	mostRoles  = 200
)

// VisitorsSee says whether somebody on this computer may look without signing in.
func (c *Config) VisitorsSee() bool { return cmp.Or(c.Visitors, visitorsSee) == visitorsSee }

// KeysFor is how long a key is good at most.
func (c *Config) KeysFor() time.Duration { return cmp.Or(c.Keys.Longest, longestKey).D() }

// SignsFor is how long after a signature the next one needs the secret alone.
func (c *Config) SignsFor() time.Duration { return cmp.Or(c.SignIdle, signIdle).D() }

// AllRoles gives every role that there is: those without configuration, and the lab's own.
func (c *Config) AllRoles() map[string]rights.Set { return rolesOf(c.Roles) }

// rolesOf gives every role, where the lab's own mean these. An unknown right means nothing.
func rolesOf(own map[string][]string) map[string]rights.Set {
	all := rights.Defaults()
	for name, list := range own {
		if _, standing := all[name]; standing {
			continue
		}
		set := rights.Set{}
		for _, r := range list {
			if slices.Contains(rights.All(), rights.Right(r)) {
				set[rights.Right(r)] = true
			}
		}
		all[name] = set
	}
	return all
}

// DirectorySource is the name that the directory's people have as their source.
const DirectorySource = "directory"

// Check adds every fault that it sees to r.
func (c *Config) Check(r *strict.Report) {
	if c.Visitors != "" && c.Visitors != visitorsSee && c.Visitors != visitorsNothing {
		r.At("visitors").Fault(fmt.Sprintf("%.40q is unknown", c.Visitors), "see or nothing")
	}
	c.Password.Check(r.At("password"))
	c.PIN.Check(r.At("pin"))
	c.Lock.Check(r.At("lock"))
	c.Session.Check(r.At("session"))
	between(r.At("sign_idle"), c.SignIdle, time.Minute, 2*time.Hour)
	c.Directory.Check(r.At("directory"))
	c.OpenID.Check(r.At("openid"))
	between(r.At("keys").At("longest"), c.Keys.Longest, time.Hour, 43800*time.Hour)
	between(r.At("review").At("every"), c.Review.Every, 24*time.Hour, 17520*time.Hour)
	c.checkRoles(r.At("roles"))
	c.checkGroups(r)
	for i, s := range c.Shifts {
		if _, err := session.ParseTimeOfDay(s); err != nil {
			r.At("shifts").Index(i).Fault(fmt.Sprintf("%.20q is no time of day", s), "00:00 to 23:59")
		}
	}
	if len(c.Shifts) > 24 {
		r.At("shifts").Fault(fmt.Sprintf("names %d times of day", len(c.Shifts)), "at most 24")
	}
	if c.Badge.PIN && !c.Badge.SignIn {
		r.At("badge").At("pin").Fault("is true, and nobody signs in with a badge", "sign_in: true beside it")
	}
}

func between(r *strict.Report, d strict.Duration, least, most time.Duration) {
	if (d != 0 || r.Written()) && (d.D() < least || d.D() > most) {
		r.Fault(d.String()+" is out of range", strict.Duration(least).String()+" to "+strict.Duration(most).String())
	}
}

// checkRoles finds what is wrong with the lab's own roles.
func (c *Config) checkRoles(r *strict.Report) {
	if len(c.Roles) > mostRoles {
		r.Fault(fmt.Sprintf("names %d roles", len(c.Roles)), fmt.Sprintf("at most %d", mostRoles))
	}
	standing := rights.Defaults()
	for _, name := range slices.Sorted(maps.Keys(c.Roles)) {
		at := r.At(name)
		if err := record.CheckName(name); err != nil {
			at.Fault("the name of a role "+err.Error(), "a name of a to z, 0 to 9 and -")
		}
		if _, there := standing[name]; there {
			at.Fault("is a role that is there anyway and stays what it is", "another name")
		}
		set := rights.Set{}
		for i, right := range c.Roles[name] {
			if !slices.Contains(rights.All(), rights.Right(right)) {
				at.Index(i).Fault(fmt.Sprintf("%.40q is no right", right), everyRight())
			}
			set[rights.Right(right)] = true
		}
		if bothHands(set) {
			at.Note("holds the right to review the trail and that to change people or settings: whoever has it reviews what they did " +
				"themselves (FDA, Data Integrity and Compliance With Drug CGMP, 2018, question 4)")
		}
	}
}

// checkGroups holds the roles that groups give against those that there are.
func (c *Config) checkGroups(r *strict.Report) {
	for i, g := range c.Directory.Groups.Roles {
		c.checkRoleNames(r.At("directory").At("groups").At("roles").Index(i).At("roles"), g.Roles)
	}
	for i, g := range c.OpenID.Groups {
		c.checkRoleNames(r.At("openid").At("groups").Index(i).At("roles"), g.Roles)
	}
}

func (c *Config) checkRoleNames(r *strict.Report, names []string) {
	all := c.AllRoles()
	for k, name := range names {
		if _, there := all[name]; !there {
			r.Index(k).Fault(fmt.Sprintf("%.40q is the name of no role", name), strings.Join(slices.Sorted(maps.Keys(all)), ", "))
		}
	}
}

func everyRight() string {
	var names []string
	for _, r := range rights.All() {
		names = append(names, string(r))
	}
	return strings.Join(names, ", ")
}

// bothHands says whether a set joins reviewing and administration (FDA, Data Integrity and Compliance With Drug CGMP, 2018,
// question 4).
func bothHands(set rights.Set) bool {
	return set.Has(rights.ReviewTrail) && (set.Has(rights.People) || set.Has(rights.Settings))
}
