package ldap

import (
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/access/ldap/slapd"
)

// TestNestedGroups holds each way of finding groups within groups against the same directory; what memberOf says there is
// slapd's own work (slapo-memberof).
func TestNestedGroups(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	c := configFor(t, dir.URL())
	for _, way := range []struct {
		nested string
		ada    int
	}{{walk, 1}, {memberOf, 1}, {flat, 0}} {
		c.Groups.Nested = way.nested
		if found := signIn(t, of(must(t, c)), "ada", slapd.Secret, "in"); len(found.Groups) != way.ada {
			t.Errorf("%s: ada has %q", way.nested, found.Groups)
		}
		if found := signIn(t, of(must(t, c)), "ben", slapd.Secret, "in"); len(found.Groups) != 1 || found.Groups[0] != keepers {
			t.Errorf("%s: ben has %q", way.nested, found.Groups)
		}
	}
	if said := dir.Ask(t, weighing, "base", "(objectClass=*)", "memberOf"); !strings.Contains(said, "memberOf: cn=loop,") {
		t.Errorf("there is no circle: %s", said)
	}
}

// TestDepthOfGroups: a chain of groups is followed as far as is allowed, and one that is longer is an error and not the first
// part of the list.
func TestDepthOfGroups(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	const levels = 12
	var ldif strings.Builder
	ldif.WriteString(slapd.Person("ada", "Ada Example"))
	ldif.WriteString(slapd.Group("g1", "uid=ada,"+slapd.People))
	for i := 2; i <= levels; i++ {
		ldif.WriteString(slapd.Group(fmt.Sprintf("g%d", i), fmt.Sprintf("cn=g%d,%s", i-1, slapd.Groups)))
	}
	dir.Add(t, ldif.String())
	c := configFor(t, dir.URL())
	c.Groups.Roles = []GroupRoles{{Group: fmt.Sprintf("cn=g%d,%s", levels, slapd.Groups), Roles: []string{"operator"}}}
	for _, way := range []string{walk, memberOf} {
		c.Groups.Nested, c.Groups.Depth = way, levels
		if found := signIn(t, of(must(t, c)), "ada", slapd.Secret, "in"); len(found.Groups) != 1 {
			t.Errorf("%s: the top of the chain is not found", way)
		}
		c.Groups.Depth = levels - 1
		signIn(t, of(must(t, c)), "ada", slapd.Secret, "away")
	}
}

// TestTooManyGroups: more groups than are read are an error, and so is a limit of the directory's own, which gives the first
// part of a list with sizeLimitExceeded.
func TestTooManyGroups(t *testing.T) {
	t.Parallel() // it mostly waits
	dir := slapd.Start(t, slapd.Options{})
	var ldif strings.Builder
	ldif.WriteString(slapd.Lab)
	for i := range mostGroups + 1 {
		ldif.WriteString(slapd.Group(fmt.Sprintf("many%d", i), "uid=cy,"+slapd.People))
	}
	dir.Add(t, ldif.String())
	c := must(t, configFor(t, dir.URL()))
	for _, way := range []string{walk, memberOf} {
		c.Groups.Nested = way
		signIn(t, of(c), "cy", slapd.Secret, "away")
		signIn(t, of(c), "ada", slapd.Secret, "in")
	}
	dir.Stop(t)
	dir.Configure(t, slapd.Options{Extra: `limits dn.exact="` + slapd.Service + `" size=1`})
	dir.Start(t)
	c.Groups.Nested = walk
	dir.Modify(t, "dn: "+keepers+"\nchangetype: modify\nadd: member\nmember: uid=ada,"+slapd.People+"\n")
	signIn(t, of(c), "ada", slapd.Secret, "away") // two groups, of which the directory gives one
	signIn(t, of(c), "ben", slapd.Secret, "in")
}

// TestMembersByLogin: groups that hold logins (RFC 2307), themselves held by groups of DNs.
func TestMembersByLogin(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab+"dn: cn=old,"+slapd.Groups+"\nobjectClass: posixGroup\ncn: old\ngidNumber: 10\nmemberUid: ada\nmemberUid: *\n\n")
	c := configFor(t, dir.URL())
	c.Groups.Holds, c.Groups.Member, c.Groups.Filter = "login", "memberUid", "(objectClass=posixGroup)"
	c.Groups.Roles = []GroupRoles{{Group: "cn=old," + slapd.Groups, Roles: []string{"operator"}}}
	if found := signIn(t, of(must(t, c)), "ada", slapd.Secret, "in"); len(found.Groups) != 1 {
		t.Errorf("%q", found.Groups)
	}
	if found := signIn(t, of(must(t, c)), "ben", slapd.Secret, "in"); len(found.Groups) != 0 {
		t.Errorf("%q", found.Groups)
	}
}

// TestGroupsElsewhereDoNotCount: a group of the same name outside the base, or of another kind, gives nothing.
func TestGroupsElsewhereDoNotCount(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab+"dn: cn=keepers,ou=services,"+slapd.Suffix+"\nobjectClass: groupOfNames\ncn: keepers\nmember: uid=ada,"+slapd.People+"\n\n")
	for _, way := range []string{walk, memberOf} {
		c := configFor(t, dir.URL())
		c.Groups.Nested = way
		c.Groups.Roles = append(c.Groups.Roles, GroupRoles{Group: "cn=keepers,ou=services," + slapd.Suffix, Roles: []string{"it"}})
		if found := signIn(t, of(must(t, c)), "ada", slapd.Secret, "in"); len(found.Groups) != 1 {
			t.Errorf("%s: %q", way, found.Groups)
		}
		c.Groups.Filter = "(objectClass=groupOfUniqueNames)"
		if found := signIn(t, of(must(t, c)), "ada", slapd.Secret, "in"); len(found.Groups) != 0 {
			t.Errorf("%s, another kind: %q", way, found.Groups)
		}
	}
}
