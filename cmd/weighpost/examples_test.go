package main

import (
	"io"
	"regexp"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

// TestEveryCommandShowsAnExample: the help of each command has a line that calls it, and the program understands that line. What groups
// commands shows theirs.
func TestEveryCommandShowsAnExample(t *testing.T) {
	t.Parallel()
	parser, err := newParser(streams{out: io.Discard, err: io.Discard}, func(int) {})
	if err != nil {
		t.Fatal(err)
	}
	commands := 0
	var walk func(n *kong.Node)
	walk = func(n *kong.Node) {
		for _, c := range n.Children {
			walk(c)
		}
		if n.Type != kong.CommandNode || !n.Leaf() || n.Hidden {
			return
		}
		commands++
		path := "weighpost " + n.Path()
		examples := regexp.MustCompile(`(?m)^ {4}(`+regexp.QuoteMeta(path)+`(?: .*)?)$`).FindAllStringSubmatch(n.Detail, -1)
		if len(examples) == 0 {
			t.Errorf("%s shows no example", path)
		}
		for _, e := range examples {
			line, _, _ := strings.Cut(e[1], " | ")
			line, _, _ = strings.Cut(line, " >")
			if args, ok := command(line); !ok {
				t.Errorf("%s: no command: %s", path, e[1])
			} else if _, err := parser.Parse(args); err != nil {
				t.Errorf("%s: %v", e[1], err)
			}
		}
	}
	walk(parser.Model.Node)
	if commands < 50 {
		t.Errorf("only %d commands are found", commands)
	}
}
