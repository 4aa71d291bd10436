package access_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/access/ldap"
	"weighpost/gateway/access/ldap/slapd"
	"weighpost/gateway/access/outside"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
)

// withDirectory is a book that asks a real directory.
func withDirectory(t *testing.T, dir *slapd.Directory, offline ldap.Offline) *rig {
	t.Helper()
	file := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(file, []byte(slapd.ServiceSecret), 0o600); err != nil {
		t.Fatal(err)
	}
	secret, err := strict.SecretFrom("file:" + file)
	if err != nil {
		t.Fatal(err)
	}
	return newRig(t, func(r *rig) {
		r.cfg.Directory = ldap.Config{URL: dir.URL(), BindDN: slapd.Service, Password: secret, Users: ldap.Users{Base: slapd.People}, Offline: offline,
			Groups: ldap.Groups{Base: slapd.Groups, Roles: []ldap.GroupRoles{{Group: "cn=weighing," + slapd.Groups, Roles: []string{rights.Operator}}}}}
		r.dirs = ldap.New(ldap.Options{Config: func() ldap.Config { return r.config().Directory }})
	})
}

// TestCachedSignIn: while the directory does not answer, whoever it let in lately gets in by the same secret, where policy says so
// and no longer than it says; such a sign-in is marked, and does not make the time longer.
func TestCachedSignIn(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	r := withDirectory(t, dir, ldap.Offline{Allow: true, For: strict.Duration(2 * time.Hour)})
	if s := r.signIn("ada", slapd.Secret); s.Who.Actor.By != record.ActorDirectory || !s.Who.Rights.Has(rights.Weigh) {
		t.Fatalf("%+v", s.Who)
	}
	dir.Kill(t)
	var refused *rights.Refused
	for range 2 {
		r.pass(59 * time.Minute)
		if s := r.signIn("ada", slapd.Secret); s.Who.Actor.By != record.ActorCached || !s.Who.Rights.Has(rights.Weigh) {
			t.Errorf("%+v", s.Who)
		}
		if _, err := r.try("ada", "wrong"); !errors.Is(err, rights.ErrWrong) {
			t.Errorf("a wrong secret: %v", err)
		}
	}
	r.pass(3 * time.Minute)
	if _, err := r.try("ada", slapd.Secret); !errors.Is(err, rights.ErrWrong) && !errors.As(err, &refused) {
		t.Errorf("two hours after the directory's last yes: %v", err)
	}
	if _, err := r.try("ben", slapd.Secret); !errors.Is(err, rights.ErrWrong) && !errors.As(err, &refused) {
		t.Errorf("who was never here: %v", err)
	}
	by := map[string]int{}
	for _, e := range entries[record.SignedIn](r, record.KindSignedIn) {
		by[e.By.By]++
	}
	if by[record.ActorDirectory] != 1 || by[record.ActorCached] != 2 {
		t.Errorf("the entries say %v", by)
	}
	dir.Start(t)
	r.signIn("ada", slapd.Secret)
	r.configure(func(c *access.Config) { c.Directory.Offline.Allow = false })
	dir.Kill(t)
	if _, err := r.try("ada", slapd.Secret); !errors.As(err, &refused) {
		t.Errorf("without leave: %v", err)
	}
}

// TestRenamedThereStaysHere: the account hangs on what the directory never changes. Whoever gets the login of another there does not
// get their account here.
func TestRenamedThereStaysHere(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	r := withDirectory(t, dir, ldap.Offline{})
	before := r.signIn("ada", slapd.Secret)
	dir.Modify(t, "dn: uid=ada,"+slapd.People+"\nchangetype: modrdn\nnewrdn: uid=ada-new\ndeleteoldrdn: 1\n")
	dir.Modify(t, "dn: cn=germination,"+slapd.Groups+"\nchangetype: modify\nreplace: member\nmember: uid=ada-new,"+slapd.People+"\n")
	r.book.Recheck(t.Context())
	if who, err := r.book.WhoIs(before.Secret, "page"); err != nil || who.Person != before.Person.ID {
		t.Errorf("renamed, and their session: %+v %v", who, err)
	}
	if s := r.signIn("ada-new", slapd.Secret); s.Person.ID != before.Person.ID {
		t.Errorf("another account: %+v", s.Person)
	}
	dir.Add(t, slapd.Person("ada", "Ada Other"))
	dir.Modify(t, "dn: cn=germination,"+slapd.Groups+"\nchangetype: modify\nadd: member\nmember: uid=ada,"+slapd.People+"\n")
	if s, err := r.try("ada", slapd.Secret); err == nil && s.Person.ID == before.Person.ID {
		t.Errorf("another person got the account: %+v", s.Person)
	} else if err == nil {
		t.Errorf("an id is given twice: %+v", s.Person)
	}
	dir.Modify(t, "dn: uid=ada-new,"+slapd.People+"\nchangetype: delete\n")
	r.book.Recheck(t.Context())
	if _, err := r.book.WhoIs(before.Secret, "page"); err == nil {
		t.Error("deleted there, and still signed in here")
	}
}

var _ outside.Directory = (*ldap.Directory)(nil)
