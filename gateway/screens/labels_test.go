package screens

import (
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"weighpost/gateway/health"
	"weighpost/gateway/help"
)

var templateAction = regexp.MustCompile(`\{\{[^}]*\}\}`)

// readIn are the words that people read in a template, the values that it is given left out.
func readIn(t *testing.T, name string) string {
	b, err := fs.ReadFile(files, name)
	if err != nil {
		t.Fatal(err)
	}
	var words strings.Builder
	z := html.NewTokenizer(strings.NewReader(templateAction.ReplaceAllString(string(b), " ")))
	for kind := z.Next(); kind != html.ErrorToken; kind = z.Next() {
		if kind == html.TextToken {
			words.Write(z.Text())
			words.WriteByte('\n')
		}
		for _, a := range z.Token().Attr {
			if slices.Contains([]string{"aria-label", "placeholder", "title", "data-done", "data-word"}, a.Key) {
				words.WriteString(a.Val + "\n")
			}
		}
	}
	return words.String()
}

// TestPagesCallThingsByOneName: where entries go is a destination on every page (sink is the word of configuration and API), and what
// it refused is parked. labels.md says why.
func TestPagesCallThingsByOneName(t *testing.T) {
	names, err := fs.Glob(files, "templates/*.html")
	if err != nil || len(names) < 20 {
		t.Fatalf("%d templates: %v", len(names), err)
	}
	another := regexp.MustCompile(`(?i)\bsinks?\b|set aside for|\btake (this|it) away\b`)
	said := map[string]string{}
	for _, name := range names {
		said[path.Base(name)] = readIn(t, name)
	}
	for _, kind := range health.Kinds() {
		said["condition "+kind.Code] = kind.Says + " " + kind.Do
	}
	for _, words := range []map[string]string{labels, kindWords, sectionWords} {
		for key, label := range words {
			said["label of "+key] = label
		}
	}
	for right, words := range rightWords {
		said["right "+string(right)] = words
	}
	for where, words := range said {
		if found := another.FindString(words); found != "" {
			t.Errorf("%s says %q, which other pages call by another name", where, found)
		}
	}
}

// TestLinksIntoTheManualLeadThere: every page of the manual that a template sends somebody to is one that there is.
func TestLinksIntoTheManualLeadThere(t *testing.T) {
	links := regexp.MustCompile(`href="/manual/([a-z-]+)(\{\{)?`)
	found := 0
	names, _ := fs.Glob(files, "templates/*.html")
	for _, name := range names {
		b, err := fs.ReadFile(files, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range links.FindAllStringSubmatch(string(b), -1) {
			found++
			there := func(topic help.Topic) bool { return topic.Name == m[1] }
			if m[2] != "" { // the page of a kind: that each has one is shown where all kinds are known
				there = func(topic help.Topic) bool { return strings.HasPrefix(topic.Name, m[1]) }
			}
			if !slices.ContainsFunc(help.Topics(), there) {
				t.Errorf("%s leads to /manual/%s, which there is not", name, m[1])
			}
		}
	}
	if found < 8 {
		t.Errorf("only %d links were found", found)
	}
}
