package strict

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

type testPort struct {
	Address  string   `yaml:"address"`
	Speed    int      `yaml:"speed"`
	DataBits int      `yaml:"data_bits" enum:"7,8"`
	Parity   string   `yaml:"parity" enum:"none,even,odd"`
	Idle     Duration `yaml:"idle_gap"`
	DTR      bool     `yaml:"dtr"`
}

type testCommon struct {
	ID   string `yaml:"id"`
	Kind string `yaml:"kind"`
}

type testSink struct {
	testCommon `yaml:",inline"`
	Raw        Node
}

type testFile struct {
	Site    string            `yaml:"site"`
	Port    testPort          `yaml:"port"`
	Extra   *testPort         `yaml:"extra"`
	Names   []string          `yaml:"names" enum:"a,b"`
	Fields  map[string]string `yaml:"fields"`
	Count   uint8             `yaml:"count"`
	Secret  Secret            `yaml:"secret"`
	Sinks   []Node            `yaml:"sinks"`
	Ignored string
}

// TestFaults holds the message for each mistake that a file of any kind can hold.
func TestFaults(t *testing.T) {
	deep := strings.Repeat("[", 40) + strings.Repeat("]", 40)
	for _, c := range []struct {
		name, src string
		want      []string
	}{
		{"good", "site: a\nport: {speed: 9600, parity: even, idle_gap: 250ms}\n", nil},
		{"byte order mark", "\ufeffsite: a\n", nil},
		{"line ends of Windows", "site: a\r\nport:\r\n  speed: 1\r\n", nil},
		{"document marks", "---\nsite: a\n...\n", nil},
		{"empty", "", []string{"f:1:1: the file is empty"}},
		{"only comments", "# nothing\n", []string{"f:1:1: the file is empty"}},
		{"only a mark", "---\n", []string{"f:1:1: the file is empty"}},
		{"list", "- a\n", []string{"f:1:1: is a list; allowed: a mapping (key: value)"}},
		{"text", "abc\n", []string{`f:1:1: is the single value "abc"; allowed: a mapping (key: value)`}},
		{"second document", "site: a\n---\nsite: b\n", []string{"f:2:1: a second document begins here: a file holds one"}},
		{"empty second document", "site: a\n---\n", []string{"f:2:1: a second document begins here: a file holds one"}},
		{"directive", "%YAML 1.2\n---\nsite: a\n", []string{"f:1:1: directives (%) are not used here: leave the line out"}},
		{"anchor and alias", "site: &x a\nnames: [*x]\n", []string{
			"f:1:7: site: anchors (&name) are not used here: write the value out where it is needed",
			"f:2:9: names[0]: aliases (*name) are not used here: write the value out"}},
		{"merge key", "port:\n  <<: {speed: 1}\n", []string{"f:2:3: port: merge keys (<<) are not used here: write the keys out"}},
		{"tag", "site: !!str a\n", []string{`f:1:7: site: tags ("!!str") are not used here: leave it out`}},
		{"duplicate", "site: a\nport: {}\nsite: b\n", []string{`f:3:1: site: the key "site" is already given in line 1`}},
		{"complex key", "? site\n: a\n", []string{"f:1:1: a key is a plain word followed by a colon, without a question mark"}},
		{"unknown key", "port:\n  speeed: 9600\n", []string{
			`f:2:3: port.speeed: unknown key "speeed": did you mean "speed"?; allowed: address, speed, data_bits, parity, idle_gap, dtr`}},
		{"unknown key, nothing near", "zzz: 1\n", []string{
			`f:1:1: zzz: unknown key "zzz"; allowed: site, port, extra, names, fields, count, secret, sinks`}},
		{"field without tag", "Ignored: x\n", []string{
			`f:1:1: Ignored: unknown key "Ignored"; allowed: site, port, extra, names, fields, count, secret, sinks`}},
		{"leading zero", "port: {speed: 09600}\n", []string{
			`f:1:15: port.speed: "09600" is an odd way to write a number: write 9600; allowed: a whole number`}},
		{"hexadecimal", "count: 0x1F\n", []string{`f:1:8: count: "0x1F" is no whole number; allowed: a whole number from 0 to 255`}},
		{"octal", "count: 0o17\n", []string{`f:1:8: count: "0o17" is no whole number; allowed: a whole number from 0 to 255`}},
		{"underscore", "count: 1_0\n", []string{`f:1:8: count: "1_0" is no whole number; allowed: a whole number from 0 to 255`}},
		{"fraction", "count: 1.0\n", []string{`f:1:8: count: "1.0" is no whole number; allowed: a whole number from 0 to 255`}},
		{"exponent", "count: 1e2\n", []string{`f:1:8: count: "1e2" is no whole number; allowed: a whole number from 0 to 255`}},
		{"plus sign", "count: +5\n", []string{`f:1:8: count: "+5" is an odd way to write a number: write 5; allowed: a whole number from 0 to 255`}},
		{"too large", "count: 256\n", []string{`f:1:8: count: "256" is out of range; allowed: a whole number from 0 to 255`}},
		{"quoted number", "count: \"7\"\n", []string{`f:1:8: count: "7" is a text in quotes: leave the quotes out; allowed: a whole number from 0 to 255`}},
		{"yes", "port: {dtr: yes}\n", []string{`f:1:13: port.dtr: "yes" is neither true nor false; allowed: true or false`}},
		{"True", "port: {dtr: True}\n", []string{`f:1:13: port.dtr: "True" is neither true nor false; allowed: true or false`}},
		{"null", "site: ~\n", []string{"f:1:1: site: has no value: give one, or leave the key out; allowed: a text"}},
		{"no value", "port:\nsite: a\n", []string{"f:1:1: port: has no value: give one, or leave the key out; allowed: a mapping (key: value)"}},
		{"bare duration", "port: {idle_gap: 5}\n", []string{
			`f:1:18: port.idle_gap: "5" is no length of time; allowed: a number with its unit (us, ms, s, m or h), such as 250ms, 5s or 1m30s`}},
		{"negative duration", "port: {idle_gap: -5s}\n", []string{
			`f:1:18: port.idle_gap: "-5s" is no length of time; allowed: a number with its unit (us, ms, s, m or h), such as 250ms, 5s or 1m30s`}},
		{"endless duration", "port: {idle_gap: 9999999999h}\n", []string{
			`f:1:18: port.idle_gap: "9999999999h" is longer than can be counted; allowed: a number with its unit (us, ms, s, m or h), such as 250ms, 5s or 1m30s`}},
		{"enum", "port: {parity: evn}\n", []string{`f:1:16: port.parity: "evn" is not known: did you mean "even"?; allowed: none, even, odd`}},
		{"enum of numbers", "port: {data_bits: 9}\n", []string{`f:1:19: port.data_bits: "9" is none of what is known here; allowed: 7, 8`}},
		{"enum in a list", "names: [a, c]\n", []string{`f:1:12: names[1]: "c" is none of what is known here; allowed: a, b`}},
		{"list for text", "site: [a]\n", []string{"f:1:7: site: is a list; allowed: a text"}},
		{"text for list", "names: a\n", []string{`f:1:8: names: is the single value "a"; allowed: a list (each item on a line of its own after a dash)`}},
		{"text for mapping", "port: a\n", []string{`f:1:7: port: is the single value "a"; allowed: a mapping (key: value)`}},
		{"text for free mapping", "fields: a\n", []string{`f:1:9: fields: is the single value "a"; allowed: a mapping (key: value)`}},
		{"written secret", "secret: hunter2\n", []string{
			"f:1:9: secret: a secret is not written into the file: say where it is kept; allowed: file:/absolute/path or env:NAME"}},
		{"relative secret", "secret: file:here\n", []string{
			"f:1:9: secret: the path after file: is not absolute; the daemon does not run in this folder; allowed: file:/absolute/path or env:NAME"}},
		{"too deep", "site: " + deep + "\n", []string{"f:1:38: lies more than 32 levels deep"}},
		{"no UTF-8", "# ok\nsite: a\xff\n", []string{"f:2:8: the byte 0xFF is no UTF-8: save the file as UTF-8"}},
		{"control character", "site: a\x00\n", []string{
			"f:1:8: the control character U+0000 cannot stand in a file: write it as an escape in double quotes"}},
		{"too large a file", "#" + strings.Repeat("x", 1<<20), []string{"f:1:1: has 1048577 bytes; allowed: at most 1 MiB"}},
		{"text over two lines", "site: a\n  b\nport: {}\n", []string{
			"f:1:7: site: the text goes on in the next line: keep it in one, or write a block (| after the colon)"}},
		{"quoted text over two lines", "site: 'a\n  b'\n", []string{
			"f:1:7: site: the text goes on in the next line: keep it in one, or write a block (| after the colon)"}},
		{"folded block", "site: >\n  a\n", []string{
			"f:1:7: site: folded text (>) is not used here: write it in one line, or as a block with |"}},
		{"block with spaces at its end", "site: |-\n  a  \nport: {}\n", []string{
			"f:1:7: site: the block ends with spaces, which would be lost: put the text in quotes"}},
		{"empty block", "site: |+\n", []string{"f:1:7: site: the block of text that begins here is empty or not indented"}},
		{"tab in a text", "site: a\tb\n", []string{
			`f:1:7: site: a tab in a text without quotes would be lost: put the text in double quotes and write \t`}},
		{"key under an empty dash", "names:\n-\nsite: a\n", []string{
			"f:3:1: names[0]: stands too far left to belong to line 2: indent it, or give that line a value of its own"}},
		{"colon without a space", "fields: {a:b}\n", []string{
			"f:1:11: after the colon between a key and its value there is a space; a text that holds a colon is put in quotes here"}},
		{"colon in the next line", "\"site\"\n: a\n", []string{"f:1:1: site: the key and its colon stand in different lines"}},
		{"mark within a line", "...site: a\n", []string{
			"f:1:1: a document mark (--- or ...) stands in a line of its own"}},
		{"tab as indentation", "port:\n\tspeed: 1\n", []string{"f:2:1: a tab stands where only spaces can: indent with spaces"}},
		{"open quotes", "site: \"a\n", []string{"f:1:7: the quotes that open here are never closed"}},
		{"open list", "names: [a\n", []string{"f:1:8: the [ that opens a list here is never closed"}},
		{"open mapping", "port: {speed: 1\n", []string{"f:1:7: the { that opens a mapping here is never closed"}},
		{"two keys in a line", "site: a: b\n", []string{
			"f:1:7: a second key cannot stand in this line: begin a new line, or put a text that holds \": \" in quotes"}},
		{"wrong indentation", "port:\n  speed: 1\n   parity: none\n", []string{
			"f:2:10: this text and the next line run together: look at the next line's indentation and at the colons of both"}},
		{"missing space after a colon", "site: a\nport:speed\nnames: []\n", []string{
			"f:2:1: a key without a colon and a space after it"}},
		{"beginning of a key", "port: {par: none}\n", []string{
			`f:1:8: port.par: unknown key "par": did you mean "parity"?; allowed: address, speed, data_bits, parity, idle_gap, dtr`}},
		{"all at once", "sitee: a\nport:\n  speed: fast\n  parity: evn\ncount: -1\n", []string{
			`f:1:1: sitee: unknown key "sitee": did you mean "site"?; allowed: site, port, extra, names, fields, count, secret, sinks`,
			`f:3:10: port.speed: "fast" is no whole number; allowed: a whole number`,
			`f:4:11: port.parity: "evn" is not known: did you mean "even"?; allowed: none, even, odd`,
			`f:5:8: count: "-1" is out of range; allowed: a whole number from 0 to 255`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var into testFile
			_, faults := Load("f", []byte(c.src), &into)
			got := faults.Error()
			if want := strings.Join(c.want, "\n"); got != want {
				t.Errorf("got:\n%s\nwant:\n%s", got, want)
			}
			if faults == nil != (len(c.want) == 0) {
				t.Errorf("faults are %#v", faults)
			}
		})
	}
}

func TestValues(t *testing.T) {
	src := `site: 012
port:
  address: yes
  speed: 9600
  data_bits: 7
  parity: 'even'
  idle_gap: 1m30s
  dtr: true
extra: {speed: 300}
names: [a, b]
fields:
  x: 0x1F
  y: "1\u0002"
  z: |
    two
    lines
  "10": 1.50
count: 255
`
	into := testFile{Extra: &testPort{Speed: 1, Parity: "odd"}}
	if _, faults := Load("f", []byte(src), &into); faults != nil {
		t.Fatal(faults)
	}
	if into.Site != "012" || into.Port.Address != "yes" || into.Fields["x"] != "0x1F" || into.Fields["10"] != "1.50" {
		t.Errorf("unquoted texts are not taken as written: %+v", into)
	}
	if into.Fields["y"] != "1\x02" || into.Fields["z"] != "two\nlines\n" {
		t.Errorf("quoted texts: %q", into.Fields)
	}
	if into.Port.Speed != 9600 || into.Port.DataBits != 7 || into.Port.Parity != "even" || !into.Port.DTR || into.Count != 255 {
		t.Errorf("plain values: %+v", into)
	}
	if into.Port.Idle.D() != 90*time.Second {
		t.Errorf("duration %s", into.Port.Idle)
	}
	if into.Extra.Speed != 300 || into.Extra.Parity != "odd" {
		t.Errorf("defaults behind a pointer are not kept: %+v", into.Extra)
	}
}

func TestNodeIsReadOnceItsKindIsKnown(t *testing.T) {
	src := "sinks:\n- id: one\n  kind: port\n  speed: 300\n- id: two\n  kind: port\n  sped: 1\n"
	var into testFile
	_, faults := Load("f", []byte(src), &into)
	if faults != nil {
		t.Fatal(faults)
	}
	for i, want := range []string{"", `f:7:3: sinks[1].sped: unknown key "sped": did you mean "speed"?; ` +
		`allowed: id, kind, address, speed, data_bits, parity, idle_gap, dtr`} {
		if kind, ok := into.Sinks[i].Key("kind"); !ok || kind != "port" {
			t.Fatalf("kind %q, %v", kind, ok)
		}
		var s testSink
		var p testPort
		if got := into.Sinks[i].Load(&s, &p).Error(); got != want {
			t.Errorf("got %s\nwant %s", got, want)
		}
		if i == 0 && (s.ID != "one" || p.Speed != 300) {
			t.Errorf("read %+v %+v", s, p)
		}
	}
}

func TestReportPointsAtTheValue(t *testing.T) {
	src := "site: a\nport:\n  speed: fast\n  address: x\nnames:\n- a\n"
	var into testFile
	doc, faults := Load("f", []byte(src), &into)
	if len(faults) != 1 {
		t.Fatal(faults)
	}
	r := doc.Report()
	r.At("names").Index(0).Fault("third", "")
	r.At("port").At("address").Fault("second", "more")
	r.At("port").At("parity").Fault("is missing", "")
	r.At("port").At("speed").Fault("must not be said: reading has already found it wrong", "")
	r.At("site").Fault("first", "")
	r.At("sinks").Index(3).Fault("nowhere", "")
	r.At("names").Note("a remark")
	want := `f:1:1: sinks[3]: nowhere
f:1:7: site: first
f:2:1: port.parity: is missing
f:4:12: port.address: second; allowed: more
f:6:3: names[0]: third`
	if got := r.Faults().Error(); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
	if got := r.Notes().Error(); got != "f:5:1: names: a remark" {
		t.Errorf("notes: %s", got)
	}
	if !r.At("site").Written() || r.At("extra").Written() {
		t.Error("Written does not tell what the file holds")
	}
}

func TestReportKeepsQuietAboutWhatCouldNotBeRead(t *testing.T) {
	for _, src := range []string{"", "port: [\n", "prt: {}\n", "port: 5\n"} {
		doc, faults := Load("f", []byte(src), &testFile{})
		if len(faults) != 1 {
			t.Fatalf("%q: %v", src, faults)
		}
		r := doc.Report()
		r.At("port").At("speed").Fault("is missing", "")
		if f := r.Faults(); f != nil {
			t.Errorf("%q: %v", src, f)
		}
	}
}

func TestSecret(t *testing.T) {
	dir := t.TempDir()
	write := func(name, content string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return "file:" + p
	}
	t.Setenv("WEIGHPOST_TEST_SECRET", "s3")
	t.Setenv("WEIGHPOST_TEST_EMPTY", "")
	for _, c := range []struct{ ref, want, fails string }{
		{write("a", "s1\r\n"), "s1", ""},
		{write("b", "s2\n\n"), "s2\n", ""},
		{"env:WEIGHPOST_TEST_SECRET", "s3", ""},
		{write("empty", "\n"), "", "is empty"},
		{write("long", strings.Repeat("x", 70000)), "", "longer than 64 KiB"},
		{"file:" + filepath.Join(dir, "missing"), "", "cannot be read"},
		{"env:WEIGHPOST_TEST_EMPTY", "", "is not set"},
	} {
		s, err := SecretFrom(c.ref)
		if err != nil {
			t.Fatal(err)
		}
		got, err := s.Resolve()
		if string(got) != c.want || (err == nil) != (c.fails == "") || err != nil && !strings.Contains(err.Error(), c.fails) {
			t.Errorf("%s: %q, %v", c.ref, got, err)
		}
		if c.want != "" && strings.Contains(s.String(), c.want) {
			t.Errorf("%s shows the secret", s)
		}
	}
	for _, bad := range []string{"", "s3cret", "file:", "file:a", "env:", "env:A B", "env:1"} {
		if s, err := SecretFrom(bad); err == nil {
			t.Errorf("%q is taken as %s", bad, s)
		}
	}
	if _, err := (Secret{}).Resolve(); err == nil {
		t.Error("no secret resolves")
	}
}
