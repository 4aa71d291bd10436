package ldap

import (
	"cmp"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	goldap "github.com/go-ldap/ldap/v3"

	"weighpost/parsers/strict"
)

// Config is how a directory is asked, as a person writes it. Without a URL there is no directory.
type Config struct {
	URL      string        `yaml:"url" desc:"Address of the directory: ldaps://host:636 with TLS, ldap://host:389 without or with starttls. Left out: there is no directory."`
	StartTLS bool          `yaml:"starttls" desc:"Begin TLS on an ldap:// connection before anything is sent. A directory that refuses it is not asked." default:"false"`
	CA       string        `yaml:"ca" desc:"PEM file of the authorities that may vouch for the directory; those of the system if not given."`
	Insecure bool          `yaml:"insecure" desc:"Send secrets to another machine without encryption." default:"false"`
	BindDN   string        `yaml:"bind_dn" desc:"DN of the account that looks people and groups up. It needs to read, and nothing else."`
	Password strict.Secret `yaml:"password" desc:"Where the password of bind_dn is kept: file:/path or env:NAME."`
	UserDN   string        `yaml:"user_dn" desc:"Without bind_dn: the DN of a person, with {login} in it, such as uid={login},ou=people,dc=seed-bank,dc=example. People are then looked up as themselves, and only while they sign in."`
	Users    Users         `yaml:"users" desc:"Where people are found, and which attributes tell what."`
	Groups   Groups        `yaml:"groups" desc:"Where groups are found, and which roles they give."`
	Offline  Offline       `yaml:"offline" desc:"What holds while the directory does not answer."`

	Recheck strict.Duration `yaml:"recheck" desc:"How often it is asked whether those who are signed in are still there, and enabled; 1m to 24h. Needs bind_dn." default:"15m"`
	Timeout strict.Duration `yaml:"timeout" desc:"How long all that one sign-in asks may take together, 500ms to 1m." default:"10s"`
}

// Users says where people are found.
type Users struct {
	Base   string   `yaml:"base" desc:"DN below which people are found. Not used with user_dn."`
	Filter string   `yaml:"filter" desc:"Filter (RFC 4515) that finds one person; {login} stands for what was typed, which cannot change the filter. Not used with user_dn." default:"(uid={login})"`
	ID     string   `yaml:"id" desc:"Attribute that the directory never changes and never gives to another: entryUUID (RFC 4530), or objectGUID." default:"entryUUID"`
	Login  string   `yaml:"login" desc:"Attribute with what people sign in with." default:"uid"`
	Name   string   `yaml:"name" desc:"Attribute with the printed name." default:"cn"`
	Barred []Marker `yaml:"barred" desc:"What keeps somebody out, whatever their secret: any one of these."`
}

// Marker is an attribute that says that an account is disabled, locked or over.
type Marker struct {
	Attribute string   `yaml:"attribute" desc:"Attribute of the person's entry. With nothing else beside it, any value counts."`
	Is        []string `yaml:"is" desc:"Values that count, in upper or lower case."`
	Bits      int64    `yaml:"bits" desc:"A number whose bits count, where the attribute is a number: any of them that is set." default:"0"`
	Passed    string   `yaml:"passed" desc:"The attribute is a time, and counts once it has passed. time: generalized time (RFC 4517). days: days since 1970. ticks: 100 ns since 1601, where 0 and the greatest number mean never." enum:"time,days,ticks"`
}

// Groups says where groups are found.
type Groups struct {
	Base   string       `yaml:"base" desc:"DN below which groups are found. Left out: the directory gives nobody a role."`
	Filter string       `yaml:"filter" desc:"Filter (RFC 4515) that all groups fit." default:"(objectClass=groupOfNames)"`
	Member string       `yaml:"member" desc:"Attribute of a group that names its members." default:"member"`
	Holds  string       `yaml:"holds" desc:"What that attribute holds of a person: their DN, or their login. Of a group it is always the DN." enum:"dn,login" default:"dn"`
	Nested string       `yaml:"nested" desc:"How groups within groups are found. walk: level by level, by the groups' member attribute. member-of: level by level, by the attribute memberOf of people and groups. in-chain: by the rule 1.2.840.113556.1.4.1941, where the directory has it. no: only groups that name the person." enum:"walk,member-of,in-chain,no" default:"walk"`
	Depth  int          `yaml:"depth" desc:"How many levels of groups within groups there may be, 1 to 30. More is an error, not a shorter list." default:"10"`
	Roles  []GroupRoles `yaml:"roles" desc:"Which roles a group gives. A person has those of all their groups."`
}

// GroupRoles are the roles of those in a group.
type GroupRoles struct {
	Group string   `yaml:"group" desc:"DN of the group."`
	Roles []string `yaml:"roles" desc:"Names of roles."`
}

// Offline is the policy for a directory that does not answer.
type Offline struct {
	Allow bool            `yaml:"allow" desc:"Let people in by the secret with which the directory let them in last. Such a sign-in is marked as cached in the journal. Whoever was disabled in the meantime gets in too." default:"false"`
	For   strict.Duration `yaml:"for" desc:"How long after the directory let them in last, 1m to 720h." default:"12h"`
}

const (
	walk     = "walk"
	memberOf = "member-of"
	inChain  = "in-chain"
	flat     = "no"

	byTime, byDays, byTicks = "time", "days", "ticks"

	placeholder = "{login}"

	urlAllowed = "ldaps://host:port, or ldap://host:port with starttls: true"
	pemAllowed = "/absolute/path.pem"
)

// Configured says whether there is a directory.
func (c Config) Configured() bool { return c.URL != "" }

// CanFind says whether people can be looked up without their secret.
func (c Config) CanFind() bool { return c.Configured() && c.BindDN != "" }

// RolesOf gives the roles that groups give, sorted, each once. The groups are those of outside.Found.
func (c Config) RolesOf(groups []string) []string {
	var roles []string
	for _, g := range c.Groups.Roles {
		if slices.Contains(groups, g.Group) {
			roles = append(roles, g.Roles...)
		}
	}
	slices.Sort(roles)
	return slices.Compact(roles)
}

// CachedFor is how long after the directory's last yes a person is let in while it does not answer; 0: not at all.
func (c Config) CachedFor() time.Duration {
	if !c.Offline.Allow {
		return 0
	}
	return cmp.Or(c.Offline.For.D(), 12*time.Hour)
}

// RecheckEvery is how often those who are signed in are looked up.
func (c Config) RecheckEvery() time.Duration { return cmp.Or(c.Recheck.D(), 15*time.Minute) }

// filled gives the configuration with its defaults.
func (c Config) filled() Config {
	c.Users.Filter = cmp.Or(c.Users.Filter, "(uid={login})")
	c.Users.ID = cmp.Or(c.Users.ID, "entryUUID")
	c.Users.Login = cmp.Or(c.Users.Login, "uid")
	c.Users.Name = cmp.Or(c.Users.Name, "cn")
	c.Groups.Filter = cmp.Or(c.Groups.Filter, "(objectClass=groupOfNames)")
	c.Groups.Member = cmp.Or(c.Groups.Member, "member")
	c.Groups.Nested = cmp.Or(c.Groups.Nested, walk)
	c.Groups.Depth = cmp.Or(c.Groups.Depth, 10)
	c.Timeout = cmp.Or(c.Timeout, strict.Duration(10*time.Second))
	return c
}

// Check adds every fault of the configuration to r. It does not look at files or the network.
func (c *Config) Check(r *strict.Report) {
	if !c.Configured() {
		if r.Written() {
			r.At("url").Fault("is missing: without it there is no directory", urlAllowed)
		}
		return
	}
	c.checkConnection(r)
	c.checkAccount(r)
	c.checkUsers(r.At("users"))
	c.checkGroups(r.At("groups"))
	within(r.At("recheck"), c.Recheck, time.Minute, 24*time.Hour, "1m to 24h")
	within(r.At("timeout"), c.Timeout, 500*time.Millisecond, time.Minute, "500ms to 1m")
	within(r.At("offline").At("for"), c.Offline.For, time.Minute, 720*time.Hour, "1m to 720h")
}

// within holds a length of time that is written to its range.
func within(r *strict.Report, d strict.Duration, least, most time.Duration, allowed string) {
	if (d != 0 || r.Written()) && (d.D() < least || d.D() > most) {
		r.Fault(d.String()+" is out of range", allowed)
	}
}

func (c *Config) checkConnection(r *strict.Report) {
	at := r.At("url")
	u, err := url.Parse(c.URL)
	switch {
	case err != nil:
		at.Fault("is no URL", urlAllowed) // the error would repeat the text, which may hold a password
		return
	case u.User != nil:
		at.Fault("the URL holds a user name or a password: use bind_dn and password: file:/path", urlAllowed)
		return
	case u.Scheme != "ldap" && u.Scheme != "ldaps":
		at.Fault(fmt.Sprintf("the scheme %.20q is not known", u.Scheme), urlAllowed)
		return
	case u.Hostname() == "":
		at.Fault("the URL names no host", urlAllowed)
		return
	case u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.Fragment != "":
		at.Fault("the URL has something after the port: where people are found stands in users", urlAllowed)
	case u.Port() != "":
		if p, err := net.LookupPort("tcp", u.Port()); err != nil || p == 0 {
			at.Fault("port "+u.Port()+" does not exist", "1 to 65535")
		}
	}
	secure := u.Scheme == "ldaps" || c.StartTLS
	if u.Scheme == "ldaps" && c.StartTLS {
		r.At("starttls").Fault("is for ldap:// only: ldaps:// speaks TLS from the first byte", "one of the two")
	}
	if !secure && !c.Insecure && !loopback(u.Hostname()) {
		at.Fault(fmt.Sprintf("the connection to %.60q would not be encrypted: anyone on the way could read people's secrets", u.Host),
			"ldaps://, starttls: true, or insecure: true if you accept that")
	}
	if !secure && c.CA != "" {
		r.At("ca").Fault("is given, but the connection has no TLS", urlAllowed)
	}
	if c.CA != "" && !filepath.IsAbs(c.CA) {
		r.At("ca").Fault(fmt.Sprintf("%.60q is not absolute; the daemon does not run in this folder", c.CA), pemAllowed)
	}
}

func (c *Config) checkAccount(r *strict.Report) {
	switch {
	case c.BindDN == "" && c.UserDN == "":
		r.Fault("nothing says how people are looked up: by an account (bind_dn, password), or as themselves (user_dn)", "one of the two")
	case c.BindDN != "" && c.UserDN != "":
		r.At("user_dn").Fault("is given beside bind_dn, which looks people up already", "one of the two")
	}
	if c.BindDN != "" {
		checkDN(r.At("bind_dn"), c.BindDN)
	}
	if (c.BindDN == "") != c.Password.IsZero() {
		r.At("password").Fault("bind_dn and password go together: a directory takes an empty password for nobody's", "both, or neither")
	}
	if c.UserDN == "" {
		return
	}
	if strings.Count(c.UserDN, placeholder) != 1 {
		r.At("user_dn").Fault("does not hold {login} once", "uid={login},ou=people,dc=seed-bank,dc=example")
		return
	}
	checkDN(r.At("user_dn"), strings.Replace(c.UserDN, placeholder, "x", 1))
}

func (c *Config) checkUsers(r *strict.Report) {
	u := c.filled().Users
	if c.UserDN != "" {
		for key, text := range map[string]string{"base": c.Users.Base, "filter": c.Users.Filter} {
			if text != "" {
				r.At(key).Fault("is given, but user_dn says where a person is", "one of the two")
			}
		}
	} else {
		if u.Base == "" {
			r.At("base").Fault("is missing: nothing says where people are", "ou=people,dc=seed-bank,dc=example")
		} else {
			checkDN(r.At("base"), u.Base)
		}
		checkUserFilter(r.At("filter"), u.Filter)
	}
	for key, name := range map[string]string{"id": u.ID, "login": u.Login, "name": u.Name} {
		checkAttribute(r.At(key), name)
	}
	for i, m := range u.Barred {
		m.check(r.At("barred").Index(i))
	}
}

// outOfPlace finds {login} where an attribute's name stands.
var outOfPlace = regexp.MustCompile(`\([^()=]*\{login\}`)

func checkUserFilter(r *strict.Report, filter string) {
	if !strings.Contains(filter, placeholder) || outOfPlace.MatchString(filter) {
		r.Fault("does not compare an attribute with {login}", "(uid={login})")
		return
	}
	checkFilter(r, strings.ReplaceAll(filter, placeholder, "x"))
}

func (m Marker) check(r *strict.Report) {
	checkAttribute(r.At("attribute"), m.Attribute)
	ways := 0
	for _, given := range []bool{len(m.Is) > 0, m.Bits != 0, m.Passed != ""} {
		if given {
			ways++
		}
	}
	if ways > 1 {
		r.Fault("holds more than one of is, bits and passed", "one of them, or two items")
	}
	if m.Bits < 0 {
		r.At("bits").Fault("is negative", "the sum of the bits that count, such as 2")
	}
}

func (c *Config) checkGroups(r *strict.Report) {
	g := c.filled().Groups
	if g.Base == "" {
		if len(g.Roles) > 0 {
			r.At("base").Fault("is missing: nothing says where groups are", "ou=groups,dc=seed-bank,dc=example")
		}
	} else {
		checkDN(r.At("base"), g.Base)
	}
	checkFilter(r.At("filter"), g.Filter)
	checkAttribute(r.At("member"), g.Member)
	if g.Depth < 1 || g.Depth > 30 {
		r.At("depth").Fault(fmt.Sprintf("%d is out of range", g.Depth), "1 to 30")
	}
	if g.Holds == "login" && (g.Nested == memberOf || g.Nested == inChain) {
		r.At("holds").Fault("login does not go with nested: "+g.Nested+", which goes by DNs", "holds: dn, or nested: walk or no")
	}
	seen := map[string]bool{}
	for i, role := range g.Roles {
		at := r.At("roles").Index(i)
		if checkDN(at.At("group"), role.Group) {
			if same := sameDN(role.Group); seen[same] {
				at.At("group").Fault("stands here twice", "one item with all its roles")
			} else {
				seen[same] = true
			}
		}
		if len(role.Roles) == 0 {
			at.At("roles").Fault("names no role", "a list of roles, such as [operator]")
		}
	}
}

func checkDN(r *strict.Report, text string) bool {
	if dn, err := parseDN(text); err != nil || len(dn.RDNs) == 0 {
		r.Fault(fmt.Sprintf("%.80q is no DN (RFC 4514)", text), "such as ou=people,dc=seed-bank,dc=example")
		return false
	}
	return true
}

func checkFilter(r *strict.Report, text string) {
	if _, err := goldap.CompileFilter(text); err != nil {
		r.Fault(fmt.Sprintf("%.80q is no filter (RFC 4515)", text), "such as (objectClass=person)")
	}
}

// attributeForm is an attribute description without options (RFC 4512 section 1.4: descr or numericoid).
var attributeForm = regexp.MustCompile(`^([A-Za-z][A-Za-z0-9-]*|[0-9]+(\.[0-9]+)+)$`)

func checkAttribute(r *strict.Report, name string) {
	if !attributeForm.MatchString(name) || len(name) > 128 {
		r.Fault(fmt.Sprintf("%.60q is no name of an attribute", name), "letters, digits and -, such as entryUUID")
	}
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// parseDN reads a DN. The library has no limit of its own, and is not trusted with what is not text.
func parseDN(text string) (*goldap.DN, error) {
	if len(text) > maxDN || !utf8.ValidString(text) {
		return nil, fmt.Errorf("a DN of %d bytes cannot be used", len(text))
	}
	return goldap.ParseDN(text)
}

// maxDN is the longest DN that is used, in bytes.
const maxDN = 2048

// sameDN gives a text that two DNs share if they are the same but for upper and lower case and the order within an RDN
// (RFC 4514; attribute values are compared like caseIgnoreMatch, RFC 4517 section 4.2.11, without its folding of spaces). A
// text that is no DN stands for itself.
func sameDN(text string) string {
	dn, err := parseDN(text)
	if err != nil {
		return "\x00" + text
	}
	var rdns []string
	for _, rdn := range dn.RDNs {
		var parts []string
		for _, a := range rdn.Attributes {
			parts = append(parts, fmt.Sprintf("%s=%q", strings.ToLower(a.Type), strings.ToLower(a.Value)))
		}
		slices.Sort(parts)
		rdns = append(rdns, strings.Join(parts, "+"))
	}
	return strings.Join(rdns, ",")
}
