// Package help holds the manual: pages in plain Markdown, embedded, for the command line and for the console.
package help

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

//go:embed pages/*.md
var files embed.FS

// Topic is one page.
type Topic struct {
	Name  string `json:"topic"` // how it is asked for
	Title string `json:"title"` // its first heading
	Text  string `json:"-"`     // Markdown
}

// Topics gives all pages, by name.
func Topics() []Topic {
	names, err := fs.Glob(files, "pages/*.md")
	if err != nil {
		panic(err) // the pattern is ours
	}
	var all []Topic
	for _, name := range names {
		b, err := files.ReadFile(name)
		if err != nil {
			panic(err) // the files are part of the program
		}
		first, _, _ := strings.Cut(string(b), "\n")
		all = append(all, Topic{
			Name:  strings.TrimSuffix(strings.TrimPrefix(name, "pages/"), ".md"),
			Title: strings.TrimSpace(strings.TrimLeft(first, "#")), Text: string(b),
		})
	}
	return all
}

// Page gives the page of a topic. The error names the topics that there are.
func Page(topic string) (Topic, error) {
	all := Topics()
	i := slices.IndexFunc(all, func(t Topic) bool { return strings.EqualFold(t.Name, topic) })
	if i >= 0 {
		return all[i], nil
	}
	var names []string
	for _, t := range all {
		names = append(names, t.Name)
	}
	return Topic{}, fmt.Errorf("the manual has no page %q: there are %s", topic, strings.Join(names, ", "))
}
