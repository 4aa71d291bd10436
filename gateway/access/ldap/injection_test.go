package ldap

import (
	"encoding/base64"
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/access/ldap/slapd"
)

// attempts are logins that mean something to a filter (RFC 4515 section 3) or a DN (RFC 4514 section 2.4).
var attempts = []string{
	"*", "a*", "*)(uid=*", "ada)(|(uid=*", "*))(|(uid=*", ")(objectClass=*", "ada)", "(ada", "|(uid=ada)", "&", "!(uid=x)",
	`ada\`, `\61da`, `\2a`, `\`, `a\00`, "ada,ou=people", "ada," + slapd.People, "ada+cn=Ada Example", "uid=ada", `"ada"`, "#616461", "a=b", "<ada>",
	"ada;x", "ädä", "名前", "a\u202eda", "ada\u0000", "%00", "{login}", "${jndi:ldap://x}", "ada\r\nbind", strings.Repeat("*", 256), strings.Repeat("(", 255),
}

// TestInjectionThroughTheLogin: none of the attempts finds anybody, looked up by the account or as themselves, and what reaches
// the directory is the attempt as a value: its own log says which filter it was asked.
func TestInjectionThroughTheLogin(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	c := must(t, configFor(t, dir.URL()))
	themselves := c
	themselves.BindDN, themselves.UserDN = "", "uid={login},"+slapd.People
	for _, login := range attempts {
		signIn(t, of(c), login, slapd.Secret, "wrong")
		signIn(t, of(themselves), login, slapd.Secret, "wrong")
	}
	for _, line := range strings.Split(dir.Log(), "\n") {
		if !strings.Contains(line, `SRCH base="`+slapd.People) || !strings.Contains(line, "filter=") {
			continue
		}
		if filter := line[strings.Index(line, "filter="):]; strings.Count(filter, "(") != 1 || strings.Contains(filter, "=*") {
			t.Errorf("the filter was changed: %s", line)
		}
	}
}

// TestOtherFormsOfALogin: a directory compares logins as RFC 4518 section 2 prepares them, so that many texts are the same login
// to it, as ldapsearch shows for some; this slapd does not drop what the others hold, as the RFC would. Only the form that attempts
// are counted under is asked for, in capitals or not.
func TestOtherFormsOfALogin(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab+slapd.Person("jürg", "Jürg Example"))
	d := of(must(t, configFor(t, dir.URL())))
	for login, same := range map[string]bool{"ａｄａ": true, " ada ": true, "ada  ": true, "a\u00adda": false, "a\u034fda": false, "ada\ufe0f": false,
		"a\u200bda": false, "\ufeffada": false} {
		signIn(t, d, login, slapd.Secret, "wrong")
		if !same {
			continue
		}
		if said := dir.Ask(t, slapd.People, "sub", "(uid="+login+")", "1.1"); !strings.Contains(said, "dn: uid=ada,") {
			t.Errorf("ldapsearch does not find ada by %q: the test shows nothing", login)
		}
	}
	for _, login := range []string{"ADA", "ada"} {
		if found := signIn(t, d, login, slapd.Secret, "in"); found.Login != "ada" {
			t.Errorf("%q is %+v", login, found)
		}
	}
	for _, login := range []string{"jürg", "ju\u0308rg", "JÜRG"} {
		if found := signIn(t, d, login, slapd.Secret, "in"); found.Name != "Jürg Example" {
			t.Errorf("%q is %+v", login, found)
		}
	}
}

// TestStrangeLoginsThatExist: whoever really has such a login gets in with it, and as nobody else.
func TestStrangeLoginsThatExist(t *testing.T) {
	t.Parallel() // it mostly waits
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	logins := []string{"*)(uid=*", "*", `a\b`, "(x)", "ädä", "名前", "a,b", `"q"`, "a+b", "#x", "a;b", "<x>", "a=b", "two words", "{login}", strings.Repeat("ü", 60)}
	c := must(t, configFor(t, dir.URL()))
	c.Groups.Roles = []GroupRoles{{Group: "cn=strange," + slapd.Groups, Roles: []string{"operator"}}}
	var members []string
	for i, login := range logins {
		// The DN holds the login too, escaped byte by byte as RFC 4514 section 2.4 allows: not with the function under test.
		var rdn strings.Builder
		for _, b := range []byte(login) {
			fmt.Fprintf(&rdn, `\%02x`, b)
		}
		members = append(members, "uid="+rdn.String()+","+slapd.People)
		dir.Add(t, fmt.Sprintf("dn: %s\nobjectClass: inetOrgPerson\nuid:: %s\ncn: Person %d\nsn: x\nuserPassword: %s%d\n\n", members[i],
			base64.StdEncoding.EncodeToString([]byte(login)), i, slapd.Secret, i))
	}
	dir.Add(t, slapd.Group("strange", members...))
	themselves := c
	themselves.BindDN, themselves.UserDN = "", "uid={login},"+slapd.People
	for i, login := range logins {
		for _, d := range []*Directory{of(c), of(themselves)} {
			found := signIn(t, d, login, fmt.Sprintf("%s%d", slapd.Secret, i), "in")
			if found.Name != fmt.Sprintf("Person %d", i) || found.Login != login || len(found.Groups) != 1 {
				t.Errorf("%q is %+v", login, found)
			}
			signIn(t, d, login, fmt.Sprintf("%s%d", slapd.Secret, i+1), "wrong")
		}
	}
}
