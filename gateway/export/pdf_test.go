package export_test

import (
	"bytes"
	"context"
	"encoding/xml"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"weighpost/gateway/export"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// tool runs a program of Poppler or QPDF on a PDF, and gives what it printed.
func tool(t *testing.T, file string, args ...string) string {
	t.Helper()
	b, err := exec.CommandContext(context.Background(), args[0], args[1:]...).CombinedOutput()
	if err != nil {
		t.Fatalf("%v on %s: %v: %s", args, file, err, b)
	}
	return string(b)
}

// pdfOf exports a journal as PDF to a file.
func pdfOf(t *testing.T, dir string) string {
	t.Helper()
	name, _ := toFile(t, dir, request(export.PDF))
	return name
}

// word is a word on a page, with where it stands in points from the upper left corner.
type word struct {
	XMin float64 `xml:"xMin,attr"`
	YMin float64 `xml:"yMin,attr"`
	Text string  `xml:",chardata"`
}

// pages reads the words of each page.
func pages(t *testing.T, file string) (all [][]word) {
	t.Helper()
	var doc struct {
		Pages []struct {
			Words []word `xml:"word"`
		} `xml:"body>doc>page"`
	}
	if err := xml.Unmarshal([]byte(tool(t, file, "pdftotext", "-bbox", file, "-")), &doc); err != nil {
		t.Fatal(err)
	}
	for _, p := range doc.Pages {
		all = append(all, p.Words)
	}
	return all
}

// TestThePDFSaysEverythingInItsPlace reads it with Poppler: nothing is cut off, and what the font has no picture of shows as a
// mark with its code point.
func TestThePDFSaysEverythingInItsPlace(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "pdftotext", "qpdf")
	var bodies []record.Body
	for i, s := range hostile() {
		bodies = append(bodies, weighing(i, "12.3450", "g", s))
	}
	file := pdfOf(t, lab(t, bodies...))
	if said := tool(t, file, "qpdf", "--check", file); !strings.Contains(said, "No syntax or stream encoding errors found") {
		t.Error(said)
	}
	const left, right = 433.9, 517 // the column of samples
	var samples strings.Builder
	for _, p := range pages(t, file) {
		for _, w := range p {
			if w.XMin >= left && w.XMin < right && w.YMin > 50 && w.YMin < 545 {
				samples.WriteString(w.Text)
			}
		}
	}
	want := []string{`=HYPERLINK("x")`, "+1-2", "@x", "-5", `a,b"c`, "twolines", "tab‹U+0009›here", "‹U+05E9›‹U+05DC›‹U+05D5›‹U+05DD›12",
		"‹U+0632›‹U+0631›‹U+0639›", "‹U+1F33E›wheat", "‹U+65E5›‹U+672C›", "µgΩßĸЖ", strings.Repeat("Saatgut", 43)[:300], "../../x", "</text>)Tj",
		"‹U+202E›gnp", "trailing", "'quoted", "e‹U+0301›"}
	if len(want) != len(hostile()) {
		t.Fatal("a sample is not looked for")
	}
	for _, one := range want {
		if !strings.Contains(samples.String(), one) {
			t.Errorf("the column of samples lacks %q", one)
		}
	}
	t.Log(samples.String())
}

// TestEveryPageHasItsNumberAndTheHeadsOfTheColumns.
func TestEveryPageHasItsNumberAndTheHeadsOfTheColumns(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "pdftotext")
	bodies := acts()
	for i := range 120 {
		bodies = append(bodies, weighing(i, "12.3450", "g", "LOT-1003"))
	}
	file := pdfOf(t, lab(t, bodies...))
	all := strings.Split(strings.TrimSuffix(tool(t, file, "pdftotext", "-layout", file, "-"), "\f"), "\f")
	if len(all) < 5 {
		t.Fatalf("%d pages", len(all))
	}
	for i, text := range all {
		if !strings.Contains(text, fmt.Sprintf("page %d of %d\n", i+1, len(all))) {
			t.Errorf("page %d does not say which of how many it is", i+1)
		}
		heads := i < len(all)-1 || !strings.HasPrefix(strings.TrimSpace(text[strings.Index(text, "\n"):]), "Proof of the range")
		if heads && !regexp.MustCompile(`No\. +Time \(UTC\) +What happened +Balance +Weight, as printed +Sample +Person +Details, reason, id`).MatchString(text) {
			t.Errorf("page %d has no heads: %.300s", i+1, text)
		}
		if !strings.Contains(text, "Audit trail of north-lab") {
			t.Errorf("page %d does not say what it is", i+1)
		}
	}
	for seq := 1; seq <= 133; seq++ {
		if !regexp.MustCompile(fmt.Sprintf(`(?m)^ *%d +2026-11-25T`, seq)).MatchString(strings.Join(all, "\n")) {
			t.Errorf("entry %d is not there", seq)
		}
	}
	first := strings.Join(strings.Fields(all[0]), " ")
	for _, want := range []string{"Filter: all entries", "All 133 entries that the journal had when the export began.", "From entry 1 to entry 133.",
		"sample: LOT-1002 → LOT-1003", "Reason: the cable was pulled", "balances, b-12, capture: settled, and was printed"} {
		if !strings.Contains(first, want) {
			t.Errorf("page 1 lacks %q", want)
		}
	}
}

// TestTheLastPageHoldsTheProofOfTheRange: what it says is what the manifest says.
func TestTheLastPageHoldsTheProofOfTheRange(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "pdftotext")
	r := request(export.PDF)
	r.Filter.Balance, r.Filter.Kinds = "b-12", []record.Kind{record.KindWeighing}
	name, m := toFile(t, mixed(t), r)
	text := tool(t, name, "pdftotext", "-raw", name, "-")
	_, proof, ok := strings.Cut(text, "Proof of the range")
	if !ok {
		t.Fatal("there is no proof")
	}
	for _, want := range append(strings.Split(strings.TrimSpace(m.Checkpoint), "\n"), m.Leaves, m.IDs, m.Key, m.Origin,
		fmt.Sprintf("First entry listed: %d. Last entry listed: %d.", m.First, m.Last),
		fmt.Sprintf("Listed: %d entries of the 53 entries that the journal had when the export began; the filter left out %d.", m.Entries, m.LeftOut),
		`Filter: entries with kind weighing, balance "b-12"`) {
		if !strings.Contains(strings.Join(strings.Fields(proof), " "), strings.Join(strings.Fields(want), " ")) {
			t.Errorf("the proof lacks %q:\n%s", want, proof)
		}
	}
}

// TestAnEntryLongerThanAPageGoesOn and loses nothing.
func TestAnEntryLongerThanAPageGoesOn(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "pdftotext")
	source := ""
	for i := range 180 {
		source += fmt.Sprintf("- piece-%03d: text\n", i)
	}
	dir := lab(t, &record.LayoutChange{Balance: record.About{ID: "b-12"}, To: "sha256:1", Text: source, Stamp: stampAt(0)}, weighing(1, "12.3450", "g", "LOT-1003"))
	file := pdfOf(t, dir)
	text := tool(t, file, "pdftotext", "-layout", file, "-")
	last := -1
	for i := range 180 {
		at := strings.Index(text, fmt.Sprintf("- piece-%03d: text", i))
		if at < last || at < 0 {
			t.Fatalf("line %d of the layout is not there, or not in its order", i)
		}
		last = at
	}
	if !strings.Contains(text, "1, goes on") || strings.Count(text, "id north-lab/") != 2 {
		t.Errorf("%s", text)
	}
}

// TestLongTreesOfPages: more pages than one node of their tree holds, read by another program.
func TestLongTreesOfPages(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "pdfinfo", "qpdf")
	var b bytes.Buffer
	if _, err := export.Write(context.Background(), &b, made{3400}, request(export.PDF)); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "long.pdf")
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if said := tool(t, file, "qpdf", "--check", file); !strings.Contains(said, "No syntax or stream encoding errors found") {
		t.Error(said)
	}
	said := tool(t, file, "pdfinfo", file)
	pages := regexp.MustCompile(`Pages: +(\d{3})\n`).FindStringSubmatch(said)
	if pages == nil || !strings.Contains(said, "Title:           Audit trail of north-lab") || !strings.Contains(said, "A4") {
		t.Fatal(said)
	}
	last := tool(t, file, "pdftotext", "-f", pages[1], "-l", pages[1], file, "-")
	if !strings.Contains(last, fmt.Sprintf("page %s of %s", pages[1], pages[1])) {
		t.Errorf("%s", last)
	}
}
