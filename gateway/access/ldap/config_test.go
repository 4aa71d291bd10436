package ldap

import (
	"strings"
	"testing"
	"time"

	"weighpost/parsers/strict"
)

// whole is a configuration with every key, as a file has it.
const whole = `url: ldaps://directory.example:636
ca: /etc/weighpost/ca.pem
bind_dn: cn=weighpost,ou=services,dc=seed-bank,dc=example
password: file:/etc/weighpost/directory-password
users:
  base: ou=people,dc=seed-bank,dc=example
  filter: (&(objectClass=person)(|(uid={login})(mail={login})))
  id: entryUUID
  login: uid
  name: displayName
  barred:
  - {attribute: employeeType, is: [left, retired]}
  - {attribute: accountFlags, bits: 2}
  - {attribute: accountEnds, passed: time}
groups:
  base: ou=groups,dc=seed-bank,dc=example
  filter: (objectClass=groupOfNames)
  member: member
  holds: dn
  nested: walk
  depth: 5
  roles:
  - {group: "cn=weighing,ou=groups,dc=seed-bank,dc=example", roles: [operator]}
offline: {allow: true, for: 8h}
recheck: 5m
timeout: 5s
`

func loaded(text string) (Config, strict.Faults) {
	var c Config
	doc, faults := strict.Load("directory.yaml", []byte(text), &c)
	r := doc.Report()
	c.Check(r)
	return c, append(faults, r.Faults()...)
}

func TestConfig(t *testing.T) {
	c, faults := loaded(whole)
	if faults != nil || c.CachedFor() != 8*time.Hour || c.RecheckEvery() != 5*time.Minute || !c.CanFind() {
		t.Fatalf("%v %+v", faults, c)
	}
	var none Config
	r := strict.NewReport("none")
	if none.Check(r); r.Faults() != nil || none.Configured() || none.CanFind() || none.CachedFor() != 0 {
		t.Errorf("no directory: %v", r.Faults())
	}
}

// TestMistakes: each changes one line of a whole configuration, and is told at its place.
func TestMistakes(t *testing.T) {
	for _, c := range []struct{ from, to, says string }{
		{"url: ldaps://directory.example:636", "url: ldap://directory.example", "url: the connection to \"directory.example\" would not be encrypted"},
		{"url: ldaps://directory.example:636", "url: ldap://127.0.0.1", "ca: is given, but the connection has no TLS"},
		{"url: ldaps://directory.example:636", "url: ldaps://x:y@directory.example", "url: the URL holds a user name or a password"},
		{"url: ldaps://directory.example:636", "url: https://directory.example", "url: the scheme \"https\" is not known"},
		{"url: ldaps://directory.example:636", "url: ldaps://", "url: the URL names no host"},
		{"url: ldaps://directory.example:636", "url: ldaps://directory.example/ou=people", "url: the URL has something after the port"},
		{"url: ldaps://directory.example:636", "url: ldaps://directory.example:70000", "url: port 70000 does not exist"},
		{"url: ldaps://directory.example:636", "url: \"ldaps://[\"", "url: is no URL"},
		{"url: ldaps://directory.example:636\n", "", "url: is missing"},
		{"ca: /etc", "starttls: true\nca: /etc", "starttls: is for ldap:// only"},
		{"ca: /etc/weighpost/ca.pem", "ca: ca.pem", "ca: \"ca.pem\" is not absolute"},
		{"password: file:/etc/weighpost/directory-password\n", "", "password: bind_dn and password go together"},
		{"password: file:/etc/weighpost/directory-password", "password: hunter2", "password: "},
		{"bind_dn: cn=weighpost,ou=services,dc=seed-bank,dc=example", "bind_dn: weighpost", "bind_dn: \"weighpost\" is no DN"},
		{"bind_dn: cn=weighpost,ou=services,dc=seed-bank,dc=example\npassword: file:/etc/weighpost/directory-password\n", "", "nothing says how people are looked up"},
		{"ca: /etc", "user_dn: uid={login},dc=x\nca: /etc", "user_dn: is given beside bind_dn"},
		{"ca: /etc", "user_dn: uid=login,dc=x\nca: /etc", "user_dn: does not hold {login} once"},
		{"  base: ou=people,dc=seed-bank,dc=example\n", "", "users.base: is missing"},
		{"  base: ou=people,dc=seed-bank,dc=example", "  base: people", "users.base: \"people\" is no DN"},
		{"(uid={login})(mail={login})", "(uid=x)", "users.filter: does not compare an attribute with {login}"},
		{"(uid={login})(mail={login})", "({login}=x)", "users.filter: does not compare an attribute with {login}"},
		{"(uid={login})(mail={login})))", "(uid={login})", "users.filter: "},
		{"id: entryUUID", "id: entry uuid", "users.id: \"entry uuid\" is no name of an attribute"},
		{"bits: 2", "bits: -2", "users.barred[1].bits: is negative"},
		{"bits: 2", "bits: 2, passed: time", "users.barred[1]: holds more than one"},
		{"passed: time", "passed: soon", "users.barred[2].passed: "},
		{"  base: ou=groups,dc=seed-bank,dc=example\n", "", "groups.base: is missing"},
		{"(objectClass=groupOfNames)", "objectClass=groupOfNames)(x=*", "groups.filter: "},
		{"member: member", "member: member)(x", "groups.member: "},
		{"depth: 5", "depth: 31", "groups.depth: 31 is out of range"},
		{"holds: dn\n  nested: walk", "holds: login\n  nested: in-chain", "groups.holds: login does not go with nested: in-chain"},
		{"nested: walk", "nested: deep", "groups.nested: "},
		{"roles: [operator]", "roles: []", "groups.roles[0].roles: names no role"},
		{"  - {group: \"cn=weighing,", "  - {group: \"CN=Weighing, OU=groups,dc=seed-bank,dc=example\", roles: [it]}\n  - {group: \"cn=weighing,", "groups.roles[1].group: stands here twice"},
		{"group: \"cn=weighing,ou=groups,dc=seed-bank,dc=example\"", "group: weighing", "groups.roles[0].group: \"weighing\" is no DN"},
		{"for: 8h", "for: 10s", "offline.for: 10s is out of range"},
		{"recheck: 5m", "recheck: 5s", "recheck: 5s is out of range"},
		{"timeout: 5s", "timeout: 5h", "timeout: 5h is out of range"},
		{"timeout: 5s", "time_out: 5s", "time_out"},
	} {
		text := strings.Replace(whole, c.from, c.to, 1)
		if text == whole {
			t.Fatalf("%q is not in the file", c.from)
		}
		_, faults := loaded(text)
		found := false
		for _, f := range faults {
			found = found || strings.Contains(f.Error(), c.says)
		}
		if !found {
			t.Errorf("%q for %q: %v, want %q", c.to, c.from, faults, c.says)
		}
		if strings.Contains(faults.Error(), "hunter2") {
			t.Errorf("a fault repeats a secret: %v", faults)
		}
	}
	for _, fine := range []string{"url: ldap://directory.example\nstarttls: true", "url: ldap://directory.example\ninsecure: true\nca_unused: x"} {
		text := strings.Replace(whole, "url: ldaps://directory.example:636", strings.TrimSuffix(fine, "\nca_unused: x"), 1)
		if strings.Contains(fine, "insecure") {
			text = strings.Replace(text, "ca: /etc/weighpost/ca.pem\n", "", 1)
		}
		if _, faults := loaded(text); faults != nil {
			t.Errorf("%v", faults)
		}
	}
}

func TestSameDN(t *testing.T) {
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{"cn=A,dc=x", "CN=a, DC=X", true}, {"cn=a+ou=b,dc=x", "ou=b+cn=a,dc=x", true}, {`cn=a\,b,dc=x`, `cn=a\2cb,dc=x`, true},
		{`cn=a\,b,dc=x`, "cn=a,b=,dc=x", false}, {"cn=a,dc=x", "cn=a,dc=y", false}, {"cn=a,dc=x", "cn=a", false}, {"no dn", "No DN", false}, {"", "\x00", false},
		{`cn=a"+ou="b,dc=x`, "cn=a+ou=b,dc=x", false},
	} {
		if got := sameDN(c.a) == sameDN(c.b); got != c.same {
			t.Errorf("%q and %q: same %v", c.a, c.b, got)
		}
	}
}
