package manpage

import (
	"fmt"
	"strings"
)

// page is a page while it is written, in the language of man(7).
type page struct{ b strings.Builder }

func (p *page) String() string { return p.b.String() }

func (p *page) line(l string) { p.b.WriteString(l + "\n") }

// head begins a page: its title and its name with what it is, in roff already.
func (p *page) head(name string, section int, about About, what string) {
	date := ""
	if !about.Date.IsZero() {
		date = about.Date.UTC().Format("2006-01-02")
	}
	p.line(`.\" Made by weighpost of its own commands: do not edit.`)
	p.line(fmt.Sprintf(`.TH %s %d %s %s %s`, argument(strings.ToUpper(name)), section, argument(date), argument("weighpost "+about.Version), argument("weighpost")))
	p.line(".nh") // what is typed must not be divided
	p.line(".ad l")
	p.section("NAME")
	p.line(escape(name) + ` \- ` + what)
}

func (p *page) section(title string) { p.line(".SH " + argument(title)) }

// item is a word and what it means.
func (p *page) item(word, means string) {
	p.line(".TP")
	p.line(".B " + argument(word))
	p.text(means)
}

// text is written by paragraphs. Lines that are indented, such as examples, stay as they are.
func (p *page) text(s string) {
	kept, gap := false, false
	for l := range strings.Lines(strings.TrimSpace(s)) {
		if strings.TrimSpace(l) == "" {
			gap = true
			continue
		}
		indented := strings.HasPrefix(l, "  ") || strings.HasPrefix(l, "\t")
		if kept && !indented {
			p.line(".fi")
		}
		if gap || indented && !kept {
			p.line(".PP")
		}
		if indented && !kept {
			p.line(".nf")
		}
		kept, gap = indented, false
		p.line(guarded(strings.TrimRight(l, "\n")))
	}
	if kept {
		p.line(".fi")
	}
}

// verbatim keeps every line as it is.
func (p *page) verbatim(s string) {
	p.line(".nf")
	for l := range strings.Lines(s) {
		p.line(guarded(strings.TrimRight(l, "\n")))
	}
	p.line(".fi")
}

// guarded is a line of text that cannot be taken for a request.
func guarded(l string) string {
	l = escape(strings.ReplaceAll(l, "\t", "    "))
	if strings.HasPrefix(l, ".") || strings.HasPrefix(l, "'") || strings.HasPrefix(l, `\(aq`) {
		return `\&` + l
	}
	return l
}

var meaning = strings.NewReplacer(`\`, `\e`, `-`, `\-`, `'`, `\(aq`, "`", "\\(ga", `^`, `\(ha`, `~`, `\(ti`)

// escape writes characters that mean something to roff, or that it would print as others: what is typed is copied from a page. Others
// than those of ASCII are written by their numbers, since groff does not take a page for UTF-8 by itself.
func escape(s string) string {
	var b strings.Builder
	for _, r := range meaning.Replace(s) {
		if r < 0x80 {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, `\[u%04X]`, r)
		}
	}
	return b.String()
}

// argument is one argument of a macro, with blanks in it.
func argument(s string) string { return `"` + quoteInside(escape(s)) + `"` }

// quoteInside writes quotation marks that stand between quotation marks.
func quoteInside(s string) string { return strings.ReplaceAll(s, `"`, `\(dq`) }
