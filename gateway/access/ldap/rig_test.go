package ldap

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/access/ldap/slapd"
	"weighpost/gateway/access/outside"
	"weighpost/parsers/strict"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	weighing    = "cn=weighing," + slapd.Groups
	germination = "cn=germination," + slapd.Groups
	keepers     = "cn=keepers," + slapd.Groups
)

// configFor is a configuration for a test's directory, which looks people up by the account.
func configFor(t testing.TB, url string) Config {
	t.Helper()
	file := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(file, []byte(slapd.ServiceSecret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	secret, err := strict.SecretFrom("file:" + file)
	if err != nil {
		t.Fatal(err)
	}
	return Config{
		URL: url, BindDN: slapd.Service, Password: secret,
		Users: Users{Base: slapd.People},
		Groups: Groups{Base: slapd.Groups, Roles: []GroupRoles{
			{Group: "CN=Weighing, " + slapd.Groups, Roles: []string{"operator"}}, // written otherwise than in the directory
			{Group: keepers, Roles: []string{"balance-keeper", "operator"}},
		}},
		Timeout: strict.Duration(5 * time.Second),
	}
}

// asking is a Directory that goes by what the function gives.
func asking(c func() Config) *Directory { return New(Options{Config: c}) }

func of(c Config) *Directory { return asking(func() Config { return c }) }

// must holds that a configuration is without fault, as a file's would be.
func must(t testing.TB, c Config) Config {
	t.Helper()
	r := strict.NewReport("test")
	c.Check(r)
	if err := r.Faults().Err(); err != nil {
		t.Fatal(err)
	}
	return c
}

// kind says in one word what came of a sign-in.
func kind(err error) string {
	var refused *outside.Refused
	var away *outside.Unavailable
	switch {
	case err == nil:
		return "in"
	case errors.Is(err, outside.ErrWrong):
		return "wrong"
	case errors.As(err, &refused) && refused.Locked:
		return "locked"
	case errors.As(err, &refused):
		return "refused"
	case errors.As(err, &away):
		return "away"
	}
	return "an error of no kind: " + err.Error()
}

// signIn signs in and holds what comes of it.
func signIn(t testing.TB, d *Directory, login, secret, want string) outside.Found {
	t.Helper()
	found, err := d.Authenticate(context.Background(), login, secret)
	if got := kind(err); got != want {
		t.Errorf("%.60q: %s (%v), want %s", login, got, err, want)
	}
	if err != nil && (found.Immutable != "" || found.Groups != nil) {
		t.Errorf("%.60q: something was found beside the error: %+v", login, found)
	}
	return found
}
