package screens

import (
	"net/http"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"weighpost/gateway/help"
	"weighpost/gateway/rights"
)

// TestTheManualIsReadByEverybody: every topic has its page, for a stranger too; its links lead to pages that there are, its tables are
// tables, and nothing that the policy of the pages stops is in it.
func TestTheManualIsReadByEverybody(t *testing.T) {
	l := newLab(t, Deps{})
	_, index := l.get(t, "/manual", rights.Who{})
	tables := 0
	for _, topic := range help.Topics() {
		if !strings.Contains(index, `<a href="/manual/`+topic.Name+`">`) {
			t.Errorf("%s is not in the index", topic.Name)
		}
		status, body := l.get(t, "/manual/"+topic.Name, rights.Who{})
		doc, err := html.Parse(strings.NewReader(body))
		if status != http.StatusOK || err != nil {
			t.Fatalf("%s: %d %v", topic.Name, status, err)
		}
		headings := 0
		for n := range doc.Descendants() {
			if n.Type != html.ElementNode {
				continue
			}
			for _, a := range n.Attr {
				if a.Key == "style" || strings.HasPrefix(a.Key, "on") {
					t.Errorf("%s: <%s %s>", topic.Name, n.Data, a.Key)
				}
				if to, ok := strings.CutPrefix(a.Val, "/manual/"); ok && a.Key == "href" {
					name, _, _ := strings.Cut(to, "#")
					if status, _ := l.get(t, "/manual/"+name, rights.Who{}); status != http.StatusOK {
						t.Errorf("%s: a link to %s leads nowhere", topic.Name, a.Val)
					}
				}
			}
			switch n.Data {
			case "h1":
				headings++
			case "table":
				tables++
			}
		}
		if headings != 1 {
			t.Errorf("%s has %d titles", topic.Name, headings)
		}
	}
	if tables < 5 {
		t.Errorf("only %d tables in the whole manual", tables)
	}
	if status, body := l.get(t, "/manual/no-such-topic", rights.Who{}); status != http.StatusNotFound || !strings.Contains(body, "no such page") {
		t.Errorf("a page that is not there: %d", status)
	}
}

// TestTheManualPassesNoMarkupOn: HTML within a page is left out, what could run is no link, and topics are found where they are named.
func TestTheManualPassesNoMarkupOn(t *testing.T) {
	page := renderTopic(help.Topic{Name: "x", Text: "# X\n\nFirst *words* of\nit.\n\n## A part\n\n<script>alert(1)</script>\n\nOf <b onclick=x>b</b> [go](javascript:alert(1)) " +
		"[people](people.md#roles) [out](other.md) `weighpost help time` `weighpost help nothing`\n\n| a | b |\n|---|--:|\n| 1 | 2 |\n"})
	got := string(page.HTML)
	for _, want := range []string{`<a href="/manual/people#roles">people</a>`, `<a href="/manual/time"><code>weighpost help time</code></a>`,
		"<code>weighpost help nothing</code>", `<td align="right">2</td>`, `<a href="other.md">out</a>`} {
		if !strings.Contains(got, want) {
			t.Errorf("no %s in %s", want, got)
		}
	}
	for _, bad := range []string{"<script", "<b ", "javascript:", "style="} {
		if strings.Contains(got, bad) {
			t.Errorf("%s in %s", bad, got)
		}
	}
	if page.First != "First words of it." || len(page.Sections) != 1 || page.Sections[0] != (section{"a-part", "A part"}) {
		t.Errorf("%q %q", page.First, page.Sections)
	}
}
