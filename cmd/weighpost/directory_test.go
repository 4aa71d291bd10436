package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/access/ldap/slapd"
)

// TestDirectoryTest runs the command against a real directory: what it says, its exit status, and that no secret is in any of it.
func TestDirectoryTest(t *testing.T) {
	t.Parallel()
	certificates := slapd.NewCertificates(t)
	dir := slapd.Start(t, slapd.Options{TLS: certificates})
	dir.Add(t, slapd.Lab)
	folder := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(folder, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	password := write("password", slapd.ServiceSecret)
	file := write("weighpost.yaml", fmt.Sprintf(`site: north-lab
journal: {folder: j}
people:
  directory:
    url: %s
    starttls: true
    ca: %s
    bind_dn: %s
    password: file:%s
    users: {base: "%s"}
    groups:
      base: %s
      roles: [{group: "cn=weighing,%s", roles: [operator]}]
`, dir.URL(), certificates.CAFile, slapd.Service, password, slapd.People, slapd.Groups, slapd.Groups))
	none := write("none.yaml", "site: north-lab\njournal: {folder: j}\n")
	for _, c := range []struct {
		args   []string
		typed  string
		status int
		says   []string
	}{
		{[]string{"ada"}, "", 0, []string{"accepts connections.", "encrypted (TLS 1.", "Ada", "cn=germination,", "the roles operator."}},
		{[]string{"--secret", "ada"}, slapd.Secret + "\n", 0, []string{"takes the secret.", "the roles operator."}},
		{[]string{"--secret", "ada"}, "wrong-secret-of-ada\r\n", 1, []string{"The directory does not take this secret."}},
		{[]string{"--secret", "ada"}, "\n", 1, []string{"the secret is empty"}},
		{[]string{"cy"}, "", 1, []string{"None of the groups gives a role"}},
		{[]string{"*)(uid=*"}, "", 1, []string{"nobody with that login"}},
		{[]string{"a\x1b[2Jda"}, "", 1, []string{"what no login can"}},
		{[]string{"--json", "--secret", "ada"}, slapd.Secret, 0, []string{`"roles":["operator"]`}},
	} {
		var out, err bytes.Buffer
		status := run(append([]string{"directory", "test", "--config", file}, c.args...), streams{strings.NewReader(c.typed), &out, &err})
		all := out.String() + err.String()
		t.Logf("%q\n%s", c.args, all)
		if status != c.status {
			t.Errorf("%q: status %d: %s", c.args, status, all)
		}
		for _, says := range c.says {
			if !strings.Contains(all, says) {
				t.Errorf("%q does not say %q: %s", c.args, says, all)
			}
		}
		for _, secret := range []string{slapd.Secret, slapd.ServiceSecret, "wrong-secret-of-ada", "\x1b"} {
			if strings.Contains(all, secret) {
				t.Errorf("%q: a secret, or what moves a cursor, is shown: %q", c.args, all)
			}
		}
		if c.args[0] == "--json" && !json.Valid(out.Bytes()) {
			t.Errorf("%q: no JSON: %s", c.args, out.String())
		}
	}
	var out, err bytes.Buffer
	if status := run([]string{"directory", "test", "--config", none, "ada"}, streams{strings.NewReader(""), &out, &err}); status != 1 || !strings.Contains(err.String(), "has no directory") {
		t.Errorf("without a directory: %d %s", status, err.String())
	}
	dir.Kill(t)
	out.Reset()
	if status := run([]string{"directory", "test", "--config", file, "ada"}, streams{strings.NewReader(""), &out, &err}); status != 1 || !strings.Contains(out.String(), "No connection to 127.0.0.1:") {
		t.Errorf("killed: %d %s", status, out.String())
	}
}
