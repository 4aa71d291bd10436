// Package shells writes what shells need to complete the command line: scripts for bash, zsh and fish, made of the tree of commands
// alone. A script walks over the words that stand already, as far as they name commands, and offers what may follow: commands,
// flags, the words that a flag or an argument takes, and names of files where nothing better is known.
package shells

import (
	"fmt"
	"strings"

	"github.com/alecthomas/kong"
)

// Names are the shells that there is a script for.
var Names = []string{"bash", "zsh", "fish"}

// Script is the script for a shell. Words are further words that the argument of a command takes, by the command's path ("help").
func Script(shell string, app *kong.Application, words map[string][]string) (string, error) {
	offers := collect(app.Node, words)
	switch shell {
	case "bash":
		return bash(offers), nil
	case "zsh":
		return zsh(offers), nil
	case "fish":
		return fish(offers), nil
	}
	return "", fmt.Errorf("there is no completion for %q: say %s", shell, strings.Join(Names, ", "))
}

// offer is what may follow a command.
type offer struct {
	path     string // such as "journal verify"; "" is the program itself
	commands []named
	flags    []flag
	words    []string // what its argument may be, where only these are taken
}

type named struct{ name, help string }

type flag struct {
	names   []string // --config, -c
	help    string
	valued  bool     // it takes a value
	words   []string // the only values
	folders bool     // the value is a folder
}

// collect lists the offers of a command and of all below it.
func collect(n *kong.Node, words map[string][]string) []offer {
	at := offer{path: strings.TrimPrefix(strings.TrimPrefix(n.FullPath(), "weighpost"), " ")}
	at.words = words[at.path]
	for _, p := range n.Positional {
		at.words = append(at.words, taken(p)...)
	}
	for _, group := range n.AllFlags(true) {
		for _, f := range group {
			at.flags = append(at.flags, flagOf(f))
		}
	}
	list := []offer{}
	for _, c := range n.Children {
		if c.Hidden || c.Type != kong.CommandNode {
			continue
		}
		at.commands = append(at.commands, named{c.Name, firstLine(c.Help)})
		list = append(list, collect(c, words)...)
	}
	return append([]offer{at}, list...)
}

func flagOf(f *kong.Flag) flag {
	to := flag{names: []string{"--" + f.Name}, help: firstLine(f.Help), valued: !f.IsBool() && !f.IsCounter()}
	if f.Short != 0 {
		to.names = append(to.names, "-"+string(f.Short))
	}
	if f.Tag != nil && f.Tag.Negatable != "" {
		to.names = append(to.names, "--no-"+f.Name)
	}
	if to.valued {
		to.words, to.folders = taken(f.Value), strings.Contains(f.PlaceHolder, "FOLDER") || strings.Contains(f.PlaceHolder, "DIR")
	}
	return to
}

// taken lists the words that are all that a value may be.
func taken(v *kong.Value) (list []string) {
	for _, w := range strings.Split(v.Enum, ",") {
		if w = strings.TrimSpace(w); w != "" {
			list = append(list, w)
		}
	}
	return list
}

func firstLine(help string) string {
	line, _, _ := strings.Cut(help, "\n")
	return line
}

// quoted puts a word into single quotes, for all three shells: fish alone also heeds a backslash there, and no help has one.
func quoted(w string) string { return "'" + strings.ReplaceAll(w, "'", `'\''`) + "'" }
