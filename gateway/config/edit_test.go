package config

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/settings"
)

// edited puts a change, in the form of RFC 7396, into a file.
func edited(t *testing.T, name string, src []byte, change string) ([]byte, error) {
	t.Helper()
	c, faults := Load(name, src)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	patch, err := settings.Decode([]byte(change))
	if err != nil {
		t.Fatal(err)
	}
	from := c.Form(false)
	to, ok := settings.MergePatch(from, patch).(map[string]any)
	if !ok {
		t.Fatalf("%s makes no object", change)
	}
	return Edit(name, src, from, to)
}

// TestEditLeavesTheRestAlone looks at the text line by line.
func TestEditLeavesTheRestAlone(t *testing.T) {
	const before = `# Our lab.
site: seed-bank   # never changes
journal: {folder: j}

# The room with the fridges.
page:
  # From here only.
  listen: 127.0.0.1:8467  # the usual
clock:
  servers: [time-1.example, time-2.example] # two
  poll_min: 64s

balances:
# The first.
- id: b-1   # left
  port:
    address: /dev/ttyUSB0
    # As the plate says.
    speed: 9600
  layout: LAYOUT
- {id: b-2, port: {address: /dev/ttyUSB1}, layout: LAYOUT} # right
# The end.
`
	layout, err := filepath.Abs("testdata/bad/layouts/plain.yaml")
	if err != nil {
		t.Fatal(err)
	}
	src := strings.ReplaceAll(before, "LAYOUT", layout)
	for _, c := range []struct{ change, old, new string }{
		{`{}`, "", ""},
		{`{"page":{"listen":"127.0.0.1:9000"}}`, `listen: 127.0.0.1:8467  # the usual`, `listen: "127.0.0.1:9000"  # the usual`},
		{`{"clock":{"poll_min":"128s"}}`, "poll_min: 64s\n", "poll_min: 2m8s\n"},
		{`{"clock":{"poll_min":null}}`, "  poll_min: 64s\n", ""},
		{`{"clock":{"poll_max":"2048s"}}`, "  poll_min: 64s\n", "  poll_min: 64s\n  poll_max: 34m8s\n"},
		{`{"clock":{"servers":["time-1.example"]}}`, "servers: [time-1.example, time-2.example] # two", "servers: [time-1.example] # two"},
		{`{"page":null}`, "page:\n  # From here only.\n  listen: 127.0.0.1:8467  # the usual\n", ""},
		{`{"log":{"level":"debug"}}`, "# The end.\n", "# The end.\n"},
		{`{"journal":{"space":{"low":"2 GiB"}}}`, "journal: {folder: j}\n", "journal:\n  folder: j\n  space:\n    low: 2 GiB\n"},
	} {
		out, err := edited(t, "x.yaml", []byte(src), c.change)
		if err != nil {
			t.Errorf("%s: %v", c.change, err)
			continue
		}
		want := strings.Replace(src, c.old, c.new, 1)
		if strings.Contains(c.change, "poll_min\":\"") { // a length of time as it was written
			want = strings.Replace(src, c.old, "poll_min: 128s\n", 1)
		}
		if strings.Contains(c.change, "poll_max") {
			want = strings.Replace(src, c.old, "  poll_min: 64s\n  poll_max: 2048s\n", 1)
		}
		if strings.Contains(c.change, "log") {
			if !strings.HasPrefix(string(out), strings.TrimSuffix(src, "# The end.\n")) || !strings.Contains(string(out), "log:\n  level: debug\n") ||
				!strings.Contains(string(out), "# The end.\n") {
				t.Errorf("%s:\n%s", c.change, out)
			}
			continue
		}
		if string(out) != want {
			t.Errorf("%s:\n%s\nwant\n%s", c.change, out, want)
		}
	}
}

// TestEditWithinLists changes one balance of several and leaves the others as they are written.
func TestEditWithinLists(t *testing.T) {
	layout, err := filepath.Abs("testdata/bad/layouts/plain.yaml")
	if err != nil {
		t.Fatal(err)
	}
	src := "site: seed-bank\r\njournal: {folder: j}\r\nbalances:\r\n  # left\r\n  - id: b-1\r\n    # plugged in behind\r\n    port:\r\n      address: /dev/ttyUSB0\r\n" +
		"    layout: " + layout + "\r\n\r\n  - id: b-2 # right\r\n    port: {address: /dev/ttyUSB1}\r\n    layout: " + layout
	c, faults := Load("x.yaml", []byte(src))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	try := func(name string, change func(list []any) []any, want string) {
		t.Helper()
		from := c.Form(false)
		to := c.Form(false)
		to["balances"] = change(to["balances"].([]any))
		out, err := Edit("x.yaml", []byte(src), from, to)
		if err != nil || string(out) != want {
			t.Errorf("%s: %v\n%q\nwant\n%q", name, err, out, want)
		}
	}
	try("a place", func(list []any) []any { list[0].(map[string]any)["place"] = "bench: 3"; return list },
		strings.Replace(src, layout+"\r\n", layout+"\r\n    place: \"bench: 3\"\r\n", 1))
	try("a speed in brackets", func(list []any) []any {
		list[1].(map[string]any)["port"].(map[string]any)["speed"] = json.Number("4800")
		return list
	}, strings.Replace(src, "port: {address: /dev/ttyUSB1}", "port:\r\n      address: /dev/ttyUSB1\r\n      speed: 4800", 1))
	try("the second goes", func(list []any) []any { return list[:1] }, src[:strings.Index(src, "\r\n\r\n  - id: b-2")+4])
	try("a third", func(list []any) []any {
		return append(list, map[string]any{"id": "b-3", "port": map[string]any{"address": "/dev/ttyUSB2"}, "layout": layout})
	}, src+"\r\n\r\n  - id: b-3\r\n    layout: "+layout+"\r\n    port:\r\n      address: /dev/ttyUSB2\r\n")
}

func TestEditRefusesWhatItCannotPutThere(t *testing.T) {
	src := []byte("{site: x, journal: {folder: j}}\n")
	if out, err := edited(t, "x.yaml", src, `{"page":{"listen":"127.0.0.1:9000"}}`); err != ErrNotWritten {
		t.Errorf("%q %v", out, err)
	}
	if out, err := edited(t, "x.yaml", []byte("site: x\njournal: {folder: j}\n"), `{"page":{"listen":"0.0.0.0:9000"},"clok":{}}`); err == nil ||
		!strings.Contains(err.Error(), "page.listen") || !strings.Contains(err.Error(), "clok") {
		t.Errorf("%q %v", out, err)
	}
}

// FuzzEdit sends changes from anywhere: the text that comes out says what the change makes, or there is none.
func FuzzEdit(f *testing.F) {
	src, err := os.ReadFile(filepath.Join(configs, "commented.yaml"))
	if err != nil {
		f.Fatal(err)
	}
	name := filepath.Join(configs, "commented.yaml")
	c, faults := Load(name, src)
	if len(faults) > 0 {
		f.Fatal(faults)
	}
	for _, change := range []string{`{}`, `{"page":null}`, `{"clock":{"servers":["a.example"],"ceiling":"1s"}}`, `{"sinks":[]}`, `{"sinks":null}`,
		`{"balances":[{"id":"b-1","port":{"address":"/dev/x"},"layout":"layouts/bench-net-grams.yaml"}]}`, `{"log":{"level":"debug\n#"}}`,
		`{"settings":{"adopt":"two","over":["sinks"]}}`, `{"a b":1}`, `{"site":"x","backup":{"every":"2h"}}`, `[1]`, `null`, `{"log":{"level":{"x":[null,{}]}}}`} {
		f.Add(change)
	}
	f.Fuzz(func(t *testing.T, change string) {
		patch, err := settings.Decode([]byte(change))
		if err != nil {
			return
		}
		from := c.Form(false)
		to, ok := settings.MergePatch(from, patch).(map[string]any)
		if !ok {
			return
		}
		out, err := Edit(name, src, from, to)
		if err != nil {
			return
		}
		got, faults := Load(name, out)
		want, _ := LoadForm(name, to)
		if len(faults) > 0 || !bytes.Equal(got.Redacted(), want.Redacted()) {
			t.Errorf("%s: %v", change, faults)
		}
		if first, _, _ := bytes.Cut(src, []byte("\n")); !bytes.HasPrefix(out, first) {
			t.Errorf("%s: the first comment is gone", change)
		}
	})
}
