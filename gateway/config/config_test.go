package config

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

var update = flag.Bool("update", false, "rewrite the expected messages and the schemas")

// TestBadFiles holds the exact message for each mistake. A file holds one mistake and is named after it.
func TestBadFiles(t *testing.T) {
	t.Chdir("testdata/bad")
	files, err := filepath.Glob("*.yaml")
	if err != nil || len(files) < 30 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(file, ".yaml"), func(t *testing.T) {
			src, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			cfg, faults := Load(file, src)
			if len(faults) == 0 || cfg != nil {
				t.Fatalf("the file is taken: %v", faults)
			}
			got := faults.Error() + "\n"
			wantFile := strings.TrimSuffix(file, ".yaml") + ".want"
			if *update {
				if err := os.WriteFile(wantFile, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(wantFile)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got:\n%swant:\n%s", got, want)
			}
		})
	}
}

// TestNoMessageRepeatsASecret looks for the made-up passwords of the bad files in what is printed.
func TestNoMessageRepeatsASecret(t *testing.T) {
	t.Chdir("testdata/bad")
	for _, name := range []string{"password-written-out", "broker-with-password", "address-with-password"} {
		src, err := os.ReadFile(name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		_, faults := Load(name, src)
		said, err := json.Marshal(faults)
		if err != nil {
			t.Fatal(err)
		}
		for _, secret := range []string{"hunter2", ":word", "word@"} {
			if strings.Contains(string(said), secret) {
				t.Errorf("%s: %s is repeated in %s", name, secret, said)
			}
		}
	}
}

func good(t *testing.T, change ...string) *Config {
	t.Helper()
	src, err := os.ReadFile("testdata/good.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.NewReplacer(change...).Replace(string(src))
	cfg, faults := Load("testdata/good.yaml", []byte(text))
	if faults != nil {
		t.Fatal(faults)
	}
	return cfg
}

func TestGoodFile(t *testing.T) {
	c := good(t)
	if c.Site != "north-lab" || len(c.Balances) != 1 || len(c.Sinks) != 1 || c.Sinks[0].Delivery.ID != "broker" || c.Sinks[0].Kind != "mqtt" {
		t.Errorf("read %+v", c)
	}
	if c.Sinks[0].Delivery.BatchSize != 256 || len(c.Sinks[0].Delivery.Entries) != 2 {
		t.Errorf("defaults of a sink are not set: %+v", c.Sinks[0].Delivery)
	}
	if c.Journal.Folder != filepath.Join("testdata", "journal") {
		t.Errorf("the journal's folder is %s, not beside the file", c.Journal.Folder)
	}
	if c.Layout("b-12") == nil || c.Layout("b-13") != nil {
		t.Error("layouts are not found by the balance's id")
	}
	if c.Notes() != nil {
		t.Errorf("notes: %v", c.Notes())
	}
}

func TestNotes(t *testing.T) {
	for _, c := range []struct {
		name   string
		change []string
		want   string
	}{
		{"no parity", []string{"parity: even", "parity: none"}, "testdata/good.yaml:11:3: balances[0].port: neither parity nor a check byte"},
		{"parity left out", []string{"    parity: even\n", ""}, "testdata/good.yaml:11:3: balances[0].port: neither parity nor a check byte"},
		{"no time server", []string{"[time-1.example, time-2.example, time-3.example]", "[]"}, "testdata/good.yaml:24:3: clock.servers: no time server"},
		{"one time server", []string{"time-1.example, time-2.example, ", ""}, "testdata/good.yaml:24:3: clock.servers: one time server"},
		{"two time servers", []string{"time-1.example, ", ""}, "testdata/good.yaml:24:3: clock.servers: two time servers"},
		{"asked beside the print key", []string{"  record: printed", "  ask: {send: \"\\x05\", every: 2s}\n  record: printed"}, "balances[0].ask: with record: printed, what the balance answers is shown and not recorded"},
		{"no backup", []string{"folder: /srv/backups\n", "{}\n", "  recipients: [age1", "# [age1"}, "backup: no backup is configured: when the disk of the journal fails"},
		{"a backup without secrets", []string{"  recipients: [age1", "  # [age1"}, "backup.recipients: no recipient is configured for backups: no secret goes along"},
		{"a hasty gap", []string{"speed: 9600", "speed: 115200", "plain.yaml", "hasty.yaml"}, "balances[0].layout: the layout ends a frame after 1ms"},
	} {
		notes := good(t, c.change...).Notes()
		if len(notes) != 1 || !strings.Contains(notes[0].Error(), c.want) {
			t.Errorf("%s: notes are %v", c.name, notes)
		}
	}
	cfg, faults := Load("x.yaml", []byte("site: a\njournal: {folder: /j}\n"))
	if faults != nil || len(cfg.Notes()) != 4 {
		t.Errorf("a configuration without time servers, balances, sinks and backups: %v, notes %v", faults, cfg.Notes())
	}
}

func TestHashTellsSettingsAndNotSpelling(t *testing.T) {
	same := good(t).Hash()
	if !strings.HasPrefix(same, "sha256:") || len(same) != len("sha256:")+64 {
		t.Errorf("the hash is %s", same)
	}
	for _, change := range [][]string{
		{"site: north-lab", "# a comment\nsite:   \"north-lab\""},
		{"page:\n  listen: 127.0.0.1:8467", "page: {listen: \"127.0.0.1:8467\"}"},
		{"  username: weighpost\n", "", "  password", "  username: weighpost\n  password"},
	} {
		if got := good(t, change...).Hash(); got != same {
			t.Errorf("%q changes the hash", change)
		}
	}
	for _, change := range [][]string{
		{"north-lab", "south-lab"}, {"9600", "4800"}, {"record: printed", "record: {every: 5s}"}, {"/etc/weighpost/broker", "/etc/weighpost/other"},
		{"username: weighpost", "username: other"}, {"220 g", "210 g"}, {"  kind: mqtt\n", "  kind: mqtt\n  deadline: 10s\n"},
	} {
		if got := good(t, change...).Hash(); got == same {
			t.Errorf("%q does not change the hash", change)
		}
	}
}

func TestRedactedIsJSON(t *testing.T) {
	t.Setenv("WEIGHPOST_TEST_SECRET", "hunter2")
	c := good(t, "file:/etc/weighpost/broker", "env:WEIGHPOST_TEST_SECRET")
	text := c.Redacted()
	if !json.Valid(text) || bytes.Contains(text, []byte("hunter2")) || !bytes.Contains(text, []byte("env:WEIGHPOST_TEST_SECRET")) {
		t.Errorf("redacted: %s", text)
	}
	if (&Config{}).Hash() == c.Hash() {
		t.Error("an empty configuration has the same hash")
	}
}

func TestTheKeysOfASinkDoNotMeetTheCommonOnes(t *testing.T) {
	for _, kind := range kinds() {
		s, _ := NewSink(kind)
		seen := map[string]bool{"kind": true}
		for _, from := range []any{s.Delivery, s.Settings} {
			for _, key := range keysOf(from) {
				if seen[key] {
					t.Errorf("%s: the key %s is there twice", kind, key)
				}
				seen[key] = true
			}
		}
	}
}

// FuzzLoad holds that no configuration makes the loader panic, and that a configuration comes without faults or not at all.
func FuzzLoad(f *testing.F) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range append(files, "testdata/good.yaml", "../../configs/minimal.yaml", "../../configs/commented.yaml") {
		src, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		if bytes.Contains(src, []byte("layout")) && bytes.ContainsAny(src, "/\\") && !bytes.Contains(src, []byte("layouts/plain.yaml")) {
			t.Skip("would read a file of this computer")
		}
		cfg, faults := Load("testdata/bad/fuzz.yaml", src)
		if (cfg == nil) != (len(faults) > 0) {
			t.Fatalf("configuration %v with faults %v", cfg, faults)
		}
		if cfg == nil {
			return
		}
		if !json.Valid(cfg.Redacted()) || record.CheckName(cfg.Site) != nil {
			t.Fatalf("%q is taken: %s", src, cfg.Redacted())
		}
		for _, b := range cfg.Balances {
			l := cfg.Layout(b.ID)
			if l == nil {
				t.Fatalf("balance %s has no layout", b.ID)
			}
		}
	})
}

func keysOf(v any) []string {
	var names []string
	for _, m := range properties(structType(v)) {
		names = append(names, m.key)
	}
	slices.Sort(names)
	return names
}

func structType(v any) reflect.Type {
	t := reflect.TypeOf(v)
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	return t
}

// TestOddAddressesAreJudged puts texts that URL parsers stumble over where an address is wanted.
func TestOddAddressesAreJudged(t *testing.T) {
	for _, odd := range []string{
		"https://h/" + strings.Repeat(" ", 200) + "x", "https://{id}/x", "https://h:99999/", "http:opaque", "//", "https://[::1", "https://h/%zz",
		"mqtts://h:0", "mqtt://", "tcp://:1", "tcp://[::1]:1", "tcp://h:70000", "{id}", "https://h?{id}", strings.Repeat("é", 300),
	} {
		text := fmt.Sprintf("site: a\njournal: {folder: j}\nbalances:\n- id: a\n  port: {address: %q}\n  layout: bad/layouts/plain.yaml\n"+
			"sinks:\n- {id: a, kind: http, url: %q}\n- {id: b, kind: mqtt, broker: %q}\n", odd, odd, odd)
		if _, faults := Load("testdata/odd.yaml", []byte(text)); len(faults) == 0 {
			t.Errorf("%q is an address of everything", odd)
		}
	}
}

// TestAScheduleThatSaysNothingOfGraceHasADay, as its description says, and one that says 0s has none; what a balance of its own leaves out is as for all.
func TestAScheduleThatSaysNothingOfGraceHasADay(t *testing.T) {
	c, faults := Load("weighpost.yaml", []byte(`site: seed-bank
journal: {folder: journal}
checks:
- {name: daily, measures: accuracy, loads: [20 g], tolerance: {mass: 5 mg}}
- {name: weekly, measures: accuracy, loads: [20 g], tolerance: {mass: 5 mg}}
fitness:
  schedule: [{check: daily, every: day}, {check: weekly, every: week, grace: 0s}]
  balances: [{balance: b-1, schedule: [{check: daily, every: day}]}]
balances:
- {id: b-1, port: {address: /dev/ttyUSB0}, layout: ../../testdata/layouts/fixed-line.yaml}
`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if s := c.Fitness.All.Checks; s[0].Grace.D() != 24*time.Hour || s[1].Grace != 0 {
		t.Errorf("%v and %v", s[0].Grace, s[1].Grace)
	}
	if one := c.Fitness.Of("b-1"); one.Checks[0].Grace.D() != 24*time.Hour || one.Unfit != "hold" || one.Overdue != "warn" {
		t.Errorf("%+v", one)
	}
}
