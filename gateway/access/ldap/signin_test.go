package ldap

import (
	"context"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/access/ldap/slapd"
)

// TestSignIn holds the way in against a real directory, in each way of looking people up; ldapwhoami judges the same secrets and
// ldapsearch says who it is.
func TestSignIn(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	account := must(t, configFor(t, dir.URL()))
	themselves := account
	themselves.BindDN, themselves.Password, themselves.Users = "", account.Password, Users{}
	themselves.UserDN = "uid={login}," + slapd.People
	themselves.Password = configFor(t, dir.URL()).Password
	for name, c := range map[string]Config{"account": account, "as themselves": themselves} {
		if name == "as themselves" {
			c.Password = Config{}.Password
			c = must(t, c)
		}
		t.Run(name, func(t *testing.T) {
			d := of(c)
			ada := signIn(t, d, "ada", slapd.Secret, "in")
			if ada.Name != "Ada Example" || ada.Login != "ada" || ada.Source != "directory" || ada.At.IsZero() {
				t.Errorf("%+v", ada)
			}
			if want := []string{"CN=Weighing, " + slapd.Groups}; !slices.Equal(ada.Groups, want) {
				t.Errorf("groups %q, want %q", ada.Groups, want)
			}
			if roles := c.RolesOf(ada.Groups); !slices.Equal(roles, []string{"operator"}) {
				t.Errorf("roles %q", roles)
			}
			if said := dir.Ask(t, "uid=ada,"+slapd.People, "base", "(objectClass=*)", "entryUUID"); !strings.Contains(said, "entryUUID: "+ada.Immutable+"\n") {
				t.Errorf("the id is %s, and ldapsearch says %s", ada.Immutable, said)
			}
			ben := signIn(t, d, "ben", slapd.Secret, "in")
			if roles := c.RolesOf(ben.Groups); !slices.Equal(roles, []string{"balance-keeper", "operator"}) {
				t.Errorf("roles %q", roles)
			}
			if cy := signIn(t, d, "cy", slapd.Secret, "in"); len(cy.Groups) != 0 {
				t.Errorf("cy has %q", cy.Groups)
			}
			for login, secret := range map[string]string{"ada": "wrong", "nobody": slapd.Secret} {
				signIn(t, d, login, secret, "wrong")
				if said, in := dir.WhoAmI(t, "uid="+login+","+slapd.People, secret); in {
					t.Errorf("ldapwhoami lets %s in: %s", login, said)
				}
			}
			if said, in := dir.WhoAmI(t, "uid=ada,"+slapd.People, slapd.Secret); !in {
				t.Errorf("ldapwhoami does not let ada in: %s", said)
			}
		})
	}
	found, err := of(account).Find(context.Background(), "ada")
	if err != nil || found.Name != "Ada Example" || len(found.Groups) != 1 {
		t.Errorf("%+v, %v", found, err)
	}
	if _, err := of(themselves).Find(context.Background(), "ada"); kind(err) != "away" {
		t.Errorf("without an account: %v", err)
	}
}
