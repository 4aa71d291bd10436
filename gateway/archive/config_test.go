package archive

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

// TestTheCommentedExampleHoldsEveryKey: configs/archive.yaml is valid once its files are there, and names each key that there is.
func TestTheCommentedExampleHoldsEveryKey(t *testing.T) {
	src, err := os.ReadFile("../../configs/archive.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	key := filepath.Join(dir, "archive.key")
	if _, err := MakeKey(key, "archive.seedbank.example"); err != nil {
		t.Fatal(err)
	}
	g := newGateway(t, "north-lab", "7qx3a")
	if err := os.WriteFile(filepath.Join(dir, "gateways.keys"), []byte("# north\n\n"+g.public+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(src), "cosigner: /etc/weighpost/archive.key", "cosigner: "+key, 1)
	c, faults := Load(filepath.Join(dir, "archive.yaml"), []byte(text))
	if len(faults) > 0 || c.Keys() != 1 || c.Cosigns() == "" || len(c.Notes()) != 0 {
		t.Fatal(faults)
	}
	if d := Default(); c.NATS.Stream != d.NATS.Stream || c.NATS.Batch != d.NATS.Batch || c.NATS.Consumer != d.NATS.Consumer || c.Database.Timeout != d.Database.Timeout || c.Log != d.Log {
		t.Errorf("the example does not show the defaults: %+v", c)
	}
	for _, name := range keysOf(reflect.TypeFor[Config]()) {
		if !regexp.MustCompile(`(?m)^[ #]*` + name + `:`).Match(src) {
			t.Errorf("the example does not name the key %s", name)
		}
	}
}

func keysOf(of reflect.Type) (list []string) {
	for i := range of.NumField() {
		f := of.Field(i)
		name, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case name == "" && option != "inline":
		case f.Type.Kind() == reflect.Struct && f.Tag.Get("yaml") != "" && f.Type.NumField() > 1:
			list = append(list, keysOf(f.Type)...)
		default:
			list = append(list, name)
		}
	}
	return list
}

// TestAllMistakesAtOnce: each with its place.
func TestAllMistakesAtOnce(t *testing.T) {
	dir := t.TempDir()
	g := newGateway(t, "north-lab", "7qx3a")
	if err := os.WriteFile(filepath.Join(dir, "keys"), []byte("# bad\nnonsense\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "open.key"), []byte("x"), 0o644); err != nil {
		t.Fatal(err)
	}
	_, faults := Load(filepath.Join(dir, "archive.yaml"), []byte(`nats:
  servers: [nats://far.example:4222]
  stream: no spaces
  subject_prefix: lab.*
  consumer: ""
  batch: 0
database:
  server: db.example
  sslmode: disable
gateways:
  keys: [`+g.public+`, weighpost/north-lab/x]
  keys_file: keys
cosigner: open.key
listen: 0.0.0.0:9471
lgo: x
`))
	var got strings.Builder
	for _, f := range faults {
		got.WriteString(strings.TrimPrefix(f.Error(), dir+string(filepath.Separator)) + "\n")
	}
	for _, want := range []string{
		"archive.yaml:2:13: nats.servers[0]: the connection to", "archive.yaml:3:11: nats.stream:", "archive.yaml:4:19: nats.subject_prefix:",
		"archive.yaml:5:13: nats.consumer:", "archive.yaml:6:10: nats.batch: 0 is out of range; allowed: 1 to 5000",
		"database.database: the name of the database is missing", "database.user:", "database.sslmode:", "gateways.keys[1]:", "keys: this is no public key",
		"archive.yaml:13:11: cosigner:", "may be read or changed by everybody", "archive.yaml:14:9: listen: \"0.0.0.0:9471\" is no address of this machine alone",
		`unknown key "lgo"`,
	} {
		if !strings.Contains(got.String(), want) {
			t.Errorf("this is not told: %s", want)
		}
	}
	if t.Failed() {
		t.Log(got.String())
	}
	if _, faults := Load("archive.yaml", []byte("nats: {servers: [nats://127.0.0.1]}\ndatabase: {server: localhost, database: a, user: b}\n")); len(faults) != 1 ||
		!strings.Contains(faults.Error(), "names no key") {
		t.Errorf("an archive that believes nobody is told as: %v", faults)
	}
}

// TestTheSchemaIsInSteps: numbered from 1 without a gap, each with what it brings.
func TestTheSchemaIsInSteps(t *testing.T) {
	for i, s := range steps() {
		if s.number != i+1 || s.about == "" || !strings.Contains(s.sql, ";") {
			t.Errorf("step %d: %d %q", i+1, s.number, s.about)
		}
	}
}
