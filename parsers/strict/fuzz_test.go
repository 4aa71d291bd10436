package strict

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	yaml3 "gopkg.in/yaml.v3"
)

var fuzzSeeds = []string{
	"", "site: a\n", "site: 012\nport: {speed: 09600, parity: evn}\n", "site: a\n---\nsite: b\n", "? a\n: b\n", "<<: *a\n",
	"site: &x a\nnames: [*x]\n", "names:\n- a\n-\n  - b\n", "site: |\n  two\n  lines\n", "site: >-\n  a\n\n  b\n", "a: \"\\u0002\\x41\"\n",
	"site: 'it''s'\n", "{a: [1, {b: c}], }", "a:\tb\n", "\ufeffa: 1\r\nb: 2\r\n", "sinks:\n- {kind: x, id: y}\n", "# only\n", "%YAML 1.2\n---\na: 1\n",
	"secret: file:/x\n", "fields: {a: ~, b: null, c: .inf}\n", "site: a # comment\n", "site: a#b\n", "- - - a\n", "\"a b\": c\n", "a: b: c\n", "[", "{", "\"", "*", "&", "!", "|", "@",
	// what the parser took for something else once:
	"\"\t0\"!:", "a: 0\t0", "a:\n-\nb:", "{0:0}", "\"a\"\n: b", "a: |-\n b  ", "...a:", "a: >-\n \n 0\n    ", ",0", "a:\n 0 -\n 0", "a: |+1",
}

// TestAcceptedTextSaysTheSameToAnotherLibrary is the comparison of FuzzLoad for the texts kept here.
func TestAcceptedTextSaysTheSameToAnotherLibrary(t *testing.T) {
	for _, s := range fuzzSeeds {
		sameAsOther(t, []byte(s))
	}
}

// FuzzLoad holds that no file makes the loader panic or report a place that the file does not have, and, in long runs
// (WEIGHPOST_LONG=1), that whatever it accepts says the same to another YAML library.
func FuzzLoad(f *testing.F) {
	for _, s := range fuzzSeeds {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		var into testFile
		doc, faults := Load("f", src, &into)
		lines := 1 + bytes.Count(src, []byte("\n")) + bytes.Count(src, []byte("\r"))
		last := Fault{}
		for _, f := range faults {
			if f.Line < 1 || f.Column < 1 || f.Line > lines || f.What == "" || strings.ContainsAny(f.Error(), "\x1b\x00\n\r") {
				t.Fatalf("fault %#v in %d lines", f, lines)
			}
			if f.Line < last.Line || f.Line == last.Line && f.Column < last.Column {
				t.Fatalf("fault %v comes after %v", f, last)
			}
			last = f
		}
		for _, s := range into.Sinks {
			s.Load(&testSink{}, &testPort{})
			s.Key("kind")
		}
		r := doc.Report()
		r.At("port").At("speed").Fault("x", "")
		r.Faults()
		if os.Getenv("WEIGHPOST_LONG") == "1" {
			sameAsOther(t, src)
		}
	})
}

// sameAsOther parses a text with yaml.v3 too. What our parser accepts without a fault must have the same shape and the
// same texts there, quoted or not.
func sameAsOther(t *testing.T, src []byte) {
	t.Helper()
	root, faults := parse("f", src)
	if root == nil || len(faults) > 0 || root.kind != mapping {
		return
	}
	if otherIsWrong.Match(src) {
		return
	}
	var other yaml3.Node
	if err := yaml3.Unmarshal(append(bytes.TrimSuffix(bytes.TrimPrefix(src, []byte("\ufeff")), []byte("\n")), '\n'), &other); err != nil {
		return // goccy/go-yaml is laxer in places; what matters is that a text never means two things
	}
	if a, b := ours(root), theirs(&other); a != b {
		t.Fatalf("%q\nours   %s\ntheirs %s", src, a, b)
	}
}

// otherIsWrong knows where yaml.v3 and not goccy departs from YAML 1.2.2: a colon before a bracket or a
// comma ends a key, and a question mark without a space begins a text.
var otherIsWrong = regexp.MustCompile(`:[\]},\[{]|[{,]\s*\?`)

func ours(n *node) string {
	var b strings.Builder
	switch n.kind {
	case null:
		return "null"
	case scalar:
		return fmt.Sprintf("%q", n.text)
	case mapping:
		for _, e := range n.entries {
			fmt.Fprintf(&b, "%q: %s, ", e.key, ours(e.value))
		}
		return "{" + b.String() + "}"
	case list:
		for _, i := range n.items {
			b.WriteString(ours(i) + ", ")
		}
		return "[" + b.String() + "]"
	}
	return "refused"
}

func theirs(n *yaml3.Node) string {
	var b strings.Builder
	switch n.Kind {
	case yaml3.DocumentNode:
		return theirs(n.Content[0])
	case yaml3.ScalarNode:
		if n.Tag == "!!null" {
			return "null"
		}
		return fmt.Sprintf("%q", n.Value)
	case yaml3.MappingNode:
		for i := 0; i < len(n.Content); i += 2 {
			fmt.Fprintf(&b, "%q: %s, ", n.Content[i].Value, theirs(n.Content[i+1]))
		}
		return "{" + b.String() + "}"
	case yaml3.SequenceNode:
		for _, i := range n.Content {
			b.WriteString(theirs(i) + ", ")
		}
		return "[" + b.String() + "]"
	}
	return "refused"
}

// TestHostileTextCostsLittle bounds what a megabyte of nonsense can cost. The limit is some hundred times of what is seen.
func TestHostileTextCostsLittle(t *testing.T) {
	for _, s := range []string{
		strings.Repeat("[", 20000), strings.Repeat("{", 20000), strings.Repeat("- ", 20000), strings.Repeat("? ", 20000),
		strings.Repeat("a: ", 20000), strings.Repeat("&a ", 20000), strings.Repeat("!a ", 20000), strings.Repeat("\"", 20000),
		strings.Repeat("---\n", 20000),
	} {
		began := time.Now()
		if _, faults := Load("f", []byte(s), &testFile{}); len(faults) == 0 {
			t.Errorf("%.10q… is taken", s)
		}
		if took := time.Since(began); took > 10*time.Second {
			t.Errorf("%.10q… (%d bytes) took %s", s, len(s), took)
		} else {
			t.Logf("%.10q… (%d bytes) took %s", s, len(s), took)
		}
	}
}
