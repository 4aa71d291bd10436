package seen

import (
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/needs"
)

// broken is a text that a column narrower than a word has torn: four lines in a row of one or two signs each.
var broken = regexp.MustCompile(`(?m)(^[ \t]*[A-Za-z]{1,2}[ \t]*\n){4}`)

// paper gives the words of a page as it is printed, read by pdftotext (poppler).
func (e *eyes) paper(p place) string {
	e.T.Helper()
	e.as(desk, false)
	e.look(p)
	var pdf struct{ Data string }
	// A4, in inches.
	if err := e.Call("Page.printToPDF", map[string]any{"paperWidth": 8.27, "paperHeight": 11.69, "printBackground": false}, &pdf); err != nil {
		e.T.Fatal(err)
	}
	out, err := exec.Command("pdftotext", "-layout", e.Keep(p.name+".pdf", pdf.Data), "-").CombinedOutput()
	if err != nil {
		e.T.Fatalf("pdftotext: %v %s", err, out)
	}
	return string(out)
}

// onPaper is what has to be readable on paper, by the page's name.
var onPaper = map[string][]string{
	"record":        {"12.3450", "LOT-1001", "Ada Quill", "57 20 31 32", "Leaf hash", "0047-112", "clock unchecked"},
	"weighed":       {"What was weighed", "112.0310", "LOT-1004", "Ada Quill", "b-13"},
	"balance-label": {"b-12", "Germination room, bench 3", "BENCHPOSTATb-12"},
	"report-failed": {"FAILED", "0.001657 g", "0.001 g", "100.0017 g", "49.9998 g", "DOES NOT COUNT", "e2-3-100", "K-2026-e2-3-100", "Ada Quill", "never replaces", "Leaf hash"},
	"status-label":  {"b-16", "OUT OF SERVICE", "FAILED", "Next due", "C-2026-0311", "BENCHPOSTATb-16"},
	"weight-labels": {"200 g, E2, set 3", "e2-3-200", "K-2026-e2-3-200"},
	"fitness":       {"OUT OF SERVICE", "error at 100 g", "0.001657 g", "cannot be kept from showing a weight"},
	"run-record":    {"FAILED", "0.0251 g", "0.025134 g", "INV-2026-7", "a seed fell off", "2.5120 g", "2.5134 g", "all / number", "LOT-1002", "Ada Quill", "qualified people decide", "sha256:"},
	"run":           {"Fill packets of seed to a target", "Fill the packet.", "LOT-1003", "12.500 g", "had not come to rest", "Seeds take up water from the air", "the run is open", "Ada Quill", "sha256:"},
	"run-ended":     {"FAILED", "0.0251 g", "2.5134 g", "2.5120 g", "a seed fell off", "the run has ended", "qualified people decide"},
	"bench-cards":   {"Next", "Repeat", "Abandon", "Sign out", "BENCHPOSTNEXT"},
}

// neverOnPaper is what the order of the pages is for, and nobody wants on paper.
var neverOnPaper = []string{"Delivered   ", "Skip to", "Sign out\n", "Search", "Manual"}

func (e *eyes) prints(p place) {
	e.T.Helper()
	text := e.paper(p)
	for _, w := range onPaper[p.name] {
		if !strings.Contains(text, w) {
			e.T.Errorf("%s on paper has no %q:\n%s", p.name, w, text)
		}
	}
	for _, w := range neverOnPaper {
		if strings.Contains(text, w) && !slices.Contains(onPaper[p.name], strings.TrimSpace(w)) {
			e.T.Errorf("%s on paper has %q:\n%s", p.name, w, text)
		}
	}
	if torn := broken.FindString(text); torn != "" {
		e.T.Errorf("%s on paper is torn letter by letter:\n%s", p.name, torn)
	}
}

func needPaper(t *testing.T) { needs.Programs(t, "pdftotext") }

// TestTornWordsAreSeen: what finds words torn letter by letter finds some, and leaves columns of numbers alone.
func TestTornWordsAreSeen(t *testing.T) {
	if broken.FindString("a\nLO\n T\nb\nc\n") == "" || broken.FindString("12\n13\n14\n15\nLOT-1\n") != "" {
		t.Error("torn words are not told from others")
	}
}
