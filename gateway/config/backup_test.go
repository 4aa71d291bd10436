package config

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestEverySecretIsFoundForABackup(t *testing.T) {
	dir := t.TempDir()
	put := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	put("journal/key", "PRIVATE+KEY+planted\n")
	put("journal/api.token", "planted-token\n")
	put("journal/secrets.json", "planted-hashes\n")
	plain, err := os.ReadFile("testdata/bad/layouts/plain.yaml")
	if err != nil {
		t.Fatal(err)
	}
	put("layouts/plain.yaml", string(plain))
	password, key := put("secrets/broker", "planted-password\n"), put("secrets/tls.key", "planted-tls-key\n")
	text, err := os.ReadFile("testdata/good.yaml")
	if err != nil {
		t.Fatal(err)
	}
	changed := strings.NewReplacer("bad/layouts/", "layouts/", "file:/etc/weighpost/broker", "file:"+password+"\n  certificate: /etc/weighpost/tls.pem\n  key: "+key+`
- id: lab
  kind: http
  url: https://lab.example/weighings
  bearer: env:LAB_TOKEN`).Replace(string(text))
	cfg, err := LoadFile(put("weighpost.yaml", changed))
	if err != nil {
		t.Fatal(err)
	}
	secrets, notHeld := cfg.BackupSecrets()
	var got []string
	for _, s := range secrets {
		got = append(got, s.Name+" "+s.What+" "+strings.TrimPrefix(s.From, dir)+" "+strings.TrimSpace(string(s.Text)))
	}
	want := []string{
		"journal/key the signing key of the journal /journal/key PRIVATE+KEY+planted",
		"page/token the token for requests over HTTP /journal/api.token planted-token",
		"access/secrets the hashes of people's and programs' secrets /journal/secrets.json planted-hashes",
		"file/001 sinks[0].key /secrets/tls.key planted-tls-key",
		"file/002 sinks[0].password /secrets/broker planted-password",
	}
	if !slices.Equal(got, want) {
		t.Errorf("secrets:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if want := []string{"must be entered again: sinks[1].bearer (env:LAB_TOKEN)"}; !slices.Equal(notHeld, want) {
		t.Errorf("not held: %q, want %q", notHeld, want)
	}
	files, unread := cfg.BackupFiles()
	if unread != nil || len(files) != 2 || files[0].From != "weighpost.yaml" || string(files[0].Text) != changed || files[1].From != "layouts/plain.yaml" {
		t.Errorf("%+v, %v", files, unread)
	}
	for _, f := range files {
		if strings.Contains(string(f.Text), "planted") {
			t.Errorf("%s holds a secret", f.From)
		}
	}
	if err := os.Remove(filepath.Join(dir, "layouts", "plain.yaml")); err != nil {
		t.Fatal(err)
	}
	if files, unread := cfg.BackupFiles(); len(files) != 1 || len(unread) != 1 || !strings.Contains(unread[0], "layouts/plain.yaml") {
		t.Errorf("a layout that is gone: %+v, %q", files, unread)
	}
}
