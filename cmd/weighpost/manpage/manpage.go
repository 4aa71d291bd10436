// Package manpage writes the pages that man(1) shows, of the tree of commands and the commented configuration alone: weighpost(1),
// one page for each command with all that is below it, and weighpost.yaml(5). They use the macros of man(7) and nothing else, so that
// groff and mandoc read them alike.
package manpage

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"
)

// About is what the pages say of the program that they describe.
type About struct {
	Version string
	Date    time.Time // of the program's commit; zero: not known
	Example string    // the commented configuration, which is all of weighpost.yaml(5)
}

// Pages are all pages, by the names of their files.
func Pages(app *kong.Application, about About) map[string]string {
	pages := map[string]string{"weighpost.1": overview(app, about), "weighpost.yaml.5": configuration(about)}
	for _, c := range shownOf(app.Node) {
		pages["weighpost-"+c.Name+".1"] = command(c, about)
	}
	return pages
}

func shownOf(n *kong.Node) []*kong.Node {
	return slices.DeleteFunc(slices.Clone(n.Children), func(c *kong.Node) bool { return c.Hidden || c.Type != kong.CommandNode })
}

func overview(app *kong.Application, about About) string {
	var p page
	p.head("weighpost", 1, about, "weighings of RS\\-232 balances, journalled and delivered")
	p.section("SYNOPSIS")
	p.line(`.B weighpost`)
	p.line(`.I command`)
	p.line(`.RI [ options ]`)
	p.section("DESCRIPTION")
	p.text(app.Help + "\n\nEach command has a page of its own. The manual, by subject, is in the program: weighpost help lists its pages, and the daemon " +
		"shows them in the browser. weighpost demo is a small simulated lab, which needs nothing set up.")
	p.section("COMMANDS")
	for _, c := range shownOf(app.Node) {
		p.line(".TP")
		p.line(".BR weighpost\\-" + escape(c.Name) + " (1)")
		p.text(c.Help)
	}
	p.section("EXIT STATUS")
	p.item("0", "Done.")
	p.item("1", "Failed. Why, and what to do, stands in one line on standard error.")
	p.item("2", "Wrong usage.")
	p.section("FILES")
	p.item("/etc/weighpost/weighpost.yaml", "The configuration, as packages install it.")
	p.item("/var/lib/weighpost", "The journal and what lies beside it. It is made at the first start, and removing the package leaves it.")
	p.section("CAUTIONS")
	p.text("weighpost records and delivers. It does not make a balance fit for trade, nor a lab compliant: local law, the lab's quality system and " +
		"qualified people decide. While it is stopped the balance still weighs, and nobody records it.")
	p.section("SEE ALSO")
	p.line(".BR weighpost.yaml (5)")
	return p.String()
}

func configuration(about About) string {
	var p page
	p.head("weighpost.yaml", 5, about, "the configuration of weighpost")
	p.section("DESCRIPTION")
	p.text("The file that weighpost run --config reads. weighpost validate config FILE finds every mistake in it, with line and column. " +
		"All keys stand below, each with its meaning and its default. A line that begins with \"#\" and a key shows the default, or an example where there is none.")
	p.section("KEYS")
	p.verbatim(about.Example)
	p.section("SEE ALSO")
	p.line(".BR weighpost\\-validate (1),")
	p.line(".BR weighpost\\-run (1)")
	return p.String()
}

// command is the page of a command and of all below it.
func command(c *kong.Node, about About) string {
	var p page
	p.head("weighpost-"+c.Name, 1, about, escape(strings.TrimSuffix(firstLine(c.Help), ".")))
	p.section("SYNOPSIS")
	leaves := leavesOf(c)
	for i, leaf := range leaves {
		if i > 0 {
			p.line(".br")
		}
		p.synopsis(leaf)
	}
	p.section("DESCRIPTION")
	p.text(c.Help)
	p.text(c.Detail)
	if len(leaves) == 1 && leaves[0] == c {
		p.arguments(c)
	} else {
		p.section("COMMANDS")
		for _, leaf := range leaves {
			p.line(".SS " + argument(leaf.FullPath()))
			p.text(leaf.Help)
			p.text(leaf.Detail)
			p.arguments(leaf)
		}
	}
	p.section("EXIT STATUS")
	p.text("0: done. 1: failed, and standard error says why. 2: wrong usage.")
	p.section("SEE ALSO")
	p.line(".BR weighpost (1),")
	p.line(".BR weighpost.yaml (5)")
	return p.String()
}

func leavesOf(n *kong.Node) (list []*kong.Node) {
	below := shownOf(n)
	if len(below) == 0 {
		return []*kong.Node{n}
	}
	for _, c := range below {
		list = append(list, leavesOf(c)...)
	}
	return list
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(s, "\n")
	return line
}

// synopsis is one line of a synopsis: the command, its arguments, the flags that it must have, and that there are more.
func (p *page) synopsis(n *kong.Node) {
	p.line(".B " + escape(n.FullPath()))
	for _, a := range n.Positional {
		p.line(".I " + argument(a.Summary()))
	}
	more := false
	for _, group := range n.AllFlags(true) {
		for _, f := range group {
			if f.Required {
				p.line(fmt.Sprintf(`.BI %s " %s"`, escape("--"+f.Name), escape(f.FormatPlaceHolder())))
			} else {
				more = true
			}
		}
	}
	if more {
		p.line(`.RI [ options ]`)
	}
}

// arguments lists a command's arguments and flags.
func (p *page) arguments(n *kong.Node) {
	for _, a := range n.Positional {
		p.item(a.Summary(), a.Help)
	}
	for _, group := range n.AllFlags(true) {
		for _, f := range group {
			p.line(".TP")
			p.line(flagLine(f))
			p.text(f.Help)
		}
	}
}

// flagLine is a flag with its short form and what it takes.
func flagLine(f *kong.Flag) string {
	line := ".BR "
	if f.Short != 0 {
		line += escape("-"+string(f.Short)) + ` ", " `
	}
	name := "--" + f.Name
	if f.Tag != nil && f.Tag.Negatable != "" {
		name = "--[no-]" + f.Name
	}
	line += escape(name)
	if !f.IsBool() && !f.IsCounter() {
		line += ` "=` + quoteInside(escape(f.FormatPlaceHolder())) + `"`
	}
	return line
}
