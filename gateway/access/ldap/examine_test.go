package ldap

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/access/ldap/slapd"
	"weighpost/parsers/strict"
)

// TestExamine: the whole way is told in sentences, up to the first thing that is not fine.
func TestExamine(t *testing.T) {
	certificates := slapd.NewCertificates(t)
	dir := slapd.Start(t, slapd.Options{TLS: certificates})
	dir.Add(t, slapd.Lab+slapd.Person("off", "Off Example", "accountFlags: 2"))
	c := configFor(t, dir.SecureURL())
	c.CA = certificates.CAFile
	c.Users.Barred = []Marker{{Attribute: "accountFlags", Bits: 2}}
	must(t, c)
	wrongCA, wrongAccount, themselves := c, c, c
	wrongCA.CA = certificates.OtherCAFile
	wrongAccount.BindDN = slapd.Admin
	themselves.BindDN, themselves.Password, themselves.Users, themselves.UserDN = "", strict.Secret{}, Users{}, "uid={login},"+slapd.People
	for _, one := range []struct {
		name          string
		c             Config
		login, secret string
		fine          bool
		last, says    string
	}{
		{"all", c, "ada", slapd.Secret, true, "roles", "That gives them the roles operator."},
		{"without a secret", c, "ada", "", true, "roles", "That gives them the roles operator."},
		{"no role", c, "cy", "", false, "roles", "None of the groups gives a role (groups.roles): they could not sign in."},
		{"wrong secret", c, "ada", "not it", false, "secret", "The directory does not take this secret."},
		{"nobody", c, "nobody", "", false, "person", "The directory has nobody with that login."},
		{"unfit", c, "a\x00", "", false, "person", "The login holds what no login can."},
		{"barred", c, "off", "", false, "person", "The directory says of the account: accountFlags has the bit 2 set."},
		{"another authority", wrongCA, "ada", "", false, "connection", "TLS cannot be begun"},
		{"account", wrongAccount, "ada", "", false, "account", "The directory does not let the account cn=admin"},
		{"as themselves", themselves, "ada", slapd.Secret, true, "roles", "That gives them the roles operator."},
		{"as themselves, wrong", themselves, "ada", "not it", false, "secret", "The directory does not take this secret."},
		{"as themselves, no secret", themselves, "ada", "", true, "person", "People look themselves up here"},
	} {
		e := Examine(context.Background(), one.c, one.login, one.secret)
		text := fmt.Sprintf("%+v", *e)
		if last := e.Findings[len(e.Findings)-1]; e.Fine() != one.fine || last.About != one.last || !strings.Contains(last.Sentence, one.says) {
			t.Errorf("%s: %v %s", one.name, e.Fine(), text)
		}
		if strings.Contains(text, slapd.Secret) || strings.Contains(text, "not it") || strings.Contains(text, slapd.ServiceSecret) {
			t.Errorf("%s: a secret is told: %s", one.name, text)
		}
		for _, f := range e.Findings {
			if !strings.HasSuffix(f.Sentence, ".") && !strings.HasSuffix(f.Sentence, ").") {
				t.Errorf("%s: no sentence: %q", one.name, f.Sentence)
			}
		}
	}
	if e := Examine(context.Background(), c, "ada", ""); len(e.Groups) != 3 || !strings.Contains(e.Findings[1].Sentence, "TLS 1.") {
		t.Errorf("%+v", *e)
	}
}
