package screens

import (
	"bytes"
	"html/template"
	"net/http"
	"regexp"
	"strings"
	"sync"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/ast"
	"github.com/yuin/goldmark/extension"
	"github.com/yuin/goldmark/parser"
	"github.com/yuin/goldmark/text"
	"github.com/yuin/goldmark/util"

	"weighpost/gateway/help"
)

// manualText is one page of the manual as HTML.
type manualText struct {
	help.Topic
	HTML     template.HTML // made of the manual's own text, without any HTML that stood in it
	First    string        // its first sentences, as plain text
	Sections []section
}

// section is a heading within a page.
type section struct{ ID, Title string }

// manualPages makes them once.
var manualPages = sync.OnceValue(func() map[string]*manualText {
	m := map[string]*manualText{}
	for _, topic := range help.Topics() {
		m[topic.Name] = renderTopic(topic)
	}
	return m
})

// markdown reads CommonMark with tables, passes no HTML on, and says how cells are aligned without a style, which the policy of the
// pages would stop.
func markdown(links *topicLinks) goldmark.Markdown {
	return goldmark.New(goldmark.WithExtensions(extension.NewTable(extension.WithTableCellAlignMethod(extension.TableCellAlignAttribute))),
		goldmark.WithParserOptions(parser.WithAutoHeadingID(), parser.WithASTTransformers(util.Prioritized(links, 1))))
}

func renderTopic(topic help.Topic) *manualText {
	page := &manualText{Topic: topic}
	links := &topicLinks{page: page}
	_, body, _ := strings.Cut(topic.Text, "\n") // its title is that of the page
	var b bytes.Buffer
	if err := markdown(links).Convert([]byte(body), &b); err != nil {
		page.HTML = template.HTML("<pre>" + template.HTMLEscapeString(body) + "</pre>")
		return page
	}
	// Long lines scroll, also by keys. What a text says of <pre> is escaped.
	page.HTML = template.HTML(strings.ReplaceAll(b.String(), "<pre>", `<pre tabindex="0" role="group" aria-label="As written">`))
	return page
}

// topicLinks finds the headings of a page, and has what names another topic lead there: a link to its file, and the command that
// prints it.
type topicLinks struct{ page *manualText }

var printsTopic = regexp.MustCompile(`^weighpost help ([a-z0-9-]+)$`)

// Transform is goldmark's.
func (l *topicLinks) Transform(doc *ast.Document, reader text.Reader, _ parser.Context) {
	source := reader.Source()
	var spans []ast.Node
	_ = ast.Walk(doc, func(n ast.Node, entering bool) (ast.WalkStatus, error) {
		if !entering {
			return ast.WalkContinue, nil
		}
		switch n := n.(type) {
		case *ast.Heading:
			if id, ok := n.AttributeString("id"); ok && n.Level == 2 {
				l.page.Sections = append(l.page.Sections, section{string(id.([]byte)), wordsOf(n, source)})
			}
		case *ast.Paragraph:
			if l.page.First == "" {
				l.page.First = wordsOf(n, source)
			}
		case *ast.Link:
			n.Destination = []byte(topicAddress(string(n.Destination)))
		case *ast.CodeSpan:
			spans = append(spans, n)
		}
		return ast.WalkContinue, nil
	})
	for _, n := range spans {
		m := printsTopic.FindStringSubmatch(wordsOf(n, source))
		if m == nil || n.Parent().Kind() == ast.KindLink {
			continue
		}
		if _, err := help.Page(m[1]); err != nil {
			continue
		}
		link := ast.NewLink()
		link.Destination = []byte("/manual/" + m[1])
		n.Parent().ReplaceChild(n.Parent(), n, link)
		link.AppendChild(link, n)
	}
}

// topicAddress is where a link of a page of the manual leads: another topic's file is its page here.
func topicAddress(to string) string {
	file, anchor, _ := strings.Cut(to, "#")
	name := strings.TrimSuffix(file, ".md")
	if _, err := help.Page(name); err != nil || name == file {
		return to
	}
	if anchor != "" {
		anchor = "#" + anchor
	}
	return "/manual/" + name + anchor
}

// wordsOf is what a node says, without its markup.
func wordsOf(n ast.Node, source []byte) string {
	var b strings.Builder
	_ = ast.Walk(n, func(n ast.Node, entering bool) (ast.WalkStatus, error) {
		if t, ok := n.(*ast.Text); ok && entering {
			b.Write(t.Segment.Value(source))
			if t.SoftLineBreak() {
				b.WriteByte(' ')
			}
		}
		return ast.WalkContinue, nil
	})
	return b.String()
}

// manual lists the pages of the manual.
func (s *Screens) manual(w http.ResponseWriter, r *http.Request) {
	var list []*manualText
	for _, topic := range help.Topics() {
		list = append(list, manualPages()[topic.Name])
	}
	s.show(w, r, page{Template: "manual.html", Title: "Manual", Place: "/manual", Data: list})
}

// manualPage shows one.
func (s *Screens) manualPage(w http.ResponseWriter, r *http.Request) {
	one := manualPages()[strings.ToLower(r.PathValue("topic"))]
	if one == nil {
		s.sorry(w, r, http.StatusNotFound, "The manual has no such page", "All pages of the manual are listed under Manual.")
		return
	}
	s.show(w, r, page{Template: "manual-page.html", Title: one.Title, Place: "/manual", Data: one})
}
