package report_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
)

// sheet writes a report to a file, and holds it against qpdf and Poppler: the file is sound, and every font is in it.
func sheet(t *testing.T, s report.Subject) string {
	t.Helper()
	needs.Programs(t, "pdftotext", "pdffonts", "qpdf")
	b, err := report.Paper(s)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.pdf")
	if shots := os.Getenv("WEIGHPOST_SHOTS"); shots != "" {
		file = filepath.Join(shots, strings.ReplaceAll(t.Name(), "/", "-")+".pdf")
	}
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if said := tool(t, "qpdf", "--check", file); !strings.Contains(said, "No syntax or stream encoding errors found") {
		t.Error(said)
	}
	fonts := strings.Split(strings.TrimSpace(tool(t, "pdffonts", file)), "\n")
	if len(fonts) != 4 { // two lines of heads, and two fonts
		t.Errorf("fonts: %q", fonts)
	}
	for _, f := range fonts[2:] {
		if fields := strings.Fields(f); fields[len(fields)-5] != "yes" { // emb sub uni object number
			t.Errorf("not in the file: %s", f)
		}
	}
	return file
}

func run(t *testing.T) *report.Run {
	t.Helper()
	r, err := report.NewRun(*storied())
	if err != nil {
		t.Fatal(err)
	}
	issued(&r.Told, report.OfRun)
	return r
}

// TestAReportOfARunTellsEverything is held against a text that was read word by word (look over what -update writes), and by itself
// against the entries: each weighing once among the weighings, whatever became of it.
func TestAReportOfARunTellsEverything(t *testing.T) {
	t.Parallel()
	r := run(t)
	file := sheet(t, r)
	got := tool(t, "pdftotext", "-layout", file, "-")
	const golden = "testdata/run.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if squeezed(got) != squeezed(string(want)) {
		t.Errorf("the report is another now (go test ./gateway/report -update):\n%s", got)
	}
	d := report.Compose(r)
	table := part(t, d, "Weighings").Table
	for _, e := range r.Entries {
		if e.Kind != record.KindWeighing {
			continue
		}
		if n := len(slices.Collect(rowsOf(table, e.ID))); n != 1 {
			t.Errorf("weighing %s is there %d times", e.ID, n)
		}
	}
	for _, row := range part(t, d, "Signatures").Table.Rows {
		if performed := strings.Contains(row.Cells[1], "performed"); performed != row.Out || performed == (row.Cells[3] == "in force") {
			t.Errorf("%q", row.Cells)
		}
	}
	if n := len(part(t, d, "What does not count, and why").Table.Rows); n != 4 { // excluded, stopped, unused, unread
		t.Errorf("%d rows of what does not count", n)
	}
}

// part finds the section of a name.
func part(t *testing.T, d *report.Document, name string) report.Section {
	t.Helper()
	i := slices.IndexFunc(d.Parts, func(s report.Section) bool { return s.Name == name })
	if i < 0 {
		t.Fatalf("there is no section %q", name)
	}
	return d.Parts[i]
}

// rowsOf are the rows that begin with an id.
func rowsOf(t *report.Table, id string) func(func(report.Row) bool) {
	return func(yield func(report.Row) bool) {
		for _, r := range t.Rows {
			if r.Cells[0] == id && !yield(r) {
				return
			}
		}
	}
}

// TestTheCodeOnPaperIsReadBack by zbar, from a picture of the page: it says run, site, how many entries and their root, as the Merkle tree
// of golang.org/x/mod/sumdb/tlog has it over the same bytes.
func TestTheCodeOnPaperIsReadBack(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "pdftoppm", "zbarimg")
	r := run(t)
	file := sheet(t, r)
	pages := strings.Split(tool(t, "pdftotext", file, "-"), "\f")
	page := fmt.Sprint(1 + slices.IndexFunc(pages, func(p string) bool { return strings.Contains(p, "The code says") }))
	picture := filepath.Join(t.TempDir(), "page")
	tool(t, "pdftoppm", "-r", "110", "-gray", "-f", page, "-l", page, "-singlefile", file, picture)
	out, err := exec.CommandContext(t.Context(), "zbarimg", "-q", "--raw", "--nodbus", picture+".pgm").Output()
	if err != nil {
		t.Fatal(err)
	}
	said := string(out)
	v, err := url.ParseQuery(strings.TrimSpace(said))
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"run": theRun.ID, "site": "seed-bank", "entries": fmt.Sprint(len(r.Entries)), "root": tlogRoot(t, r.Entries), "report": "rep-7qx3-000004",
		"last": fmt.Sprint(r.Entries[len(r.Entries)-1].Seq)} {
		if v.Get(name) != want {
			t.Errorf("%s is %q, not %q", name, v.Get(name), want)
		}
	}
	t.Logf("read back: %s", said)
}

// tlogRoot is the root by a library that is not ours.
func tlogRoot(t *testing.T, entries []record.Entry) string {
	t.Helper()
	var stored []tlog.Hash
	reader := tlog.HashReaderFunc(func(indexes []int64) (list []tlog.Hash, err error) {
		for _, i := range indexes {
			list = append(list, stored[i])
		}
		return list, nil
	})
	for i, e := range entries {
		more, err := tlog.StoredHashes(int64(i), e.JSON, reader)
		if err != nil {
			t.Fatal(err)
		}
		stored = append(stored, more...)
	}
	h, err := tlog.TreeHash(int64(len(entries)), reader)
	if err != nil {
		t.Fatal(err)
	}
	return "sha256:" + hex.EncodeToString(h[:])
}

// TestTheRootOfAnyNumberOfEntries is that of tlog, from none to seventy.
func TestTheRootOfAnyNumberOfEntries(t *testing.T) {
	t.Parallel()
	var entries []record.Entry
	for n := range 71 {
		if got, want := report.Root(entries), tlogRoot(t, entries); got != want {
			t.Fatalf("%d entries: %s, not %s", n, got, want)
		}
		entries = append(entries, record.Entry{Seq: uint64(n + 1), JSON: fmt.Appendf(nil, `{"n":%d}`, n)})
	}
	gap := slices.Delete(slices.Clone(entries[:9]), 2, 4)
	if got := report.Ranges(gap); got != "1 to 2, 5 to 9" {
		t.Error(got)
	}
}

// TestTheSameRunGivesTheSameBytes in each form, in this process, and in two others that believe to be at other ends of the world.
func TestTheSameRunGivesTheSameBytes(t *testing.T) {
	b, err := report.Paper(run(t))
	if err != nil {
		t.Fatal(err)
	}
	sum := fmt.Sprintf("%x", sha256.Sum256(b)) + formSums(t)
	const only = "WEIGHPOST_REPORT_SUM"
	if os.Getenv(only) != "" {
		fmt.Println("SUM " + sum)
		return
	}
	for _, zone := range []string{"Pacific/Kiritimati", "America/Anchorage"} {
		c := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestTheSameRunGivesTheSameBytes$", "-test.count=1")
		c.Env = append(os.Environ(), "TZ="+zone, only+"=1", "LANG=tr_TR.UTF-8")
		out, err := c.CombinedOutput()
		if err != nil || !bytes.Contains(out, []byte("SUM "+sum+"\n")) {
			t.Errorf("in %s: %v: %s, not %s", zone, err, out, sum)
		}
	}
	other := run(t)
	other.Entries = other.Entries[:len(other.Entries)-1]
	if b2, err := report.Paper(other); err != nil || bytes.Equal(b, b2) {
		t.Errorf("a run with other entries gives the same report: %v", err)
	}
}

// TestHostileTextsBreakNoReport: whatever stands in names, reasons and ids, every page says what it is of and which it is, and the report is
// whole.
func TestHostileTextsBreakNoReport(t *testing.T) {
	t.Parallel()
	for name, hostile := range map[string]string{"right to left": "\u202eשלום עולם\u2066", "controls": "a\x00\x07\x1b[31m\r\n\tb", "long": strings.Repeat("W", 10_000), "a long id": strings.Repeat("LOT-47/", 30), "no glyph": "日本 🌾 \U000E0041", "no UTF-8": "\xff\xfe", "PDF": ")Tj ET\nendstream endobj %%EOF"} {
		s := storied()
		s.Title, s.Cautions[0], s.Labels["mass"] = hostile, hostile, hostile
		for i := range s.Steps {
			s.Steps[i].Why, s.Steps[i].Reason = hostile, hostile
		}
		s.Ended.Results[0].Label, s.Ended.Results[0].Limit, s.Ended.Items[0].Sample = hostile, hostile, hostile
		for i, e := range s.Entries {
			if e.Kind == record.KindRunCorrected {
				s.Entries[i].JSON = bytes.ReplaceAll(e.JSON, []byte(`"the label had been misread"`), quoted(t, hostile))
			}
		}
		r, err := report.NewRun(*s)
		if err != nil {
			t.Fatal(err)
		}
		issued(&r.Told, report.OfRun)
		r.Site = hostile
		r.Model = report.Default().Laboratory
		for form, schema := range map[string]string{record.ReportJSON: dataSchema, record.ReportLaboratory: coreSchema} {
			if err := fits(t, schema, file(t, r, form)); err != nil {
				t.Errorf("%s, as %s: %v", name, form, err)
			}
		}
		pages := strings.Split(strings.TrimSuffix(tool(t, "pdftotext", "-layout", sheet(t, r), "-"), "\f"), "\f")
		for i, p := range pages {
			if !strings.Contains(p, fmt.Sprintf("page %d of %d", i+1, len(pages))) || !strings.Contains(p, "rep-7qx3-000004") {
				t.Errorf("%s: page %d does not say what it is: %.300s", name, i+1, p)
			}
		}
		if all := squeezed(strings.Join(pages, "")); !strings.Contains(all, "qualifiedpeopledecide") {
			t.Errorf("%s: the report ends early", name)
		}
	}
}

func quoted(t *testing.T, s string) []byte {
	t.Helper()
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestAValueThatDoesNotCountIsACrossInItsPlace: the replicate whose weighing was excluded has no value any more, and stays where it was in the chart,
// out of mean and standard deviation.
func TestAValueThatDoesNotCountIsACrossInItsPlace(t *testing.T) {
	t.Parallel()
	d := report.Compose(run(t))
	c := part(t, d, "Chart: Mass of 100 seeds").Chart
	if len(c.Points) != len(replicates) {
		t.Fatalf("%d values, of %d", len(c.Points), len(replicates))
	}
	for i, p := range c.Points {
		if p.Text != replicates[i] || p.Out != (i == 3) {
			t.Errorf("value %d is %+v", i+1, p)
		}
	}
	row := part(t, d, "Statistics").Table.Rows[0].Cells
	if row[1] != "7" || row[2] != c.Levels[1]+" g" || c.Levels[1] != "1.23113" { // (1.2310 + 1.2288 + 1.2342 + 1.2297 + 1.2325 + 1.2301 + 1.2316) / 7 = 1.231128…
		t.Errorf("%q, and the chart has %q", row, c.Levels)
	}
}

// TestTheTrailSaysItsSpanInWords, however it was asked for.
func TestTheTrailSaysItsSpanInWords(t *testing.T) {
	t.Parallel()
	for span, want := range map[string]string{"2026-11-30/2026-11-30": "Audit trail of 2026-11-30", "2026-11-29/2026-11-30": "Audit trail of 2026-11-29 through 2026-11-30", "120-240": "Audit trail of entries 120 through 240"} {
		r := &report.Trail{Told: report.Told{Site: "seed-bank", Entries: storied().Entries}, Span: span, Filter: "every entry"}
		issued(&r.Told, report.OfTrail)
		if d := report.Compose(r); d.Title != want {
			t.Errorf("%s: %q", span, d.Title)
		}
	}
}

// TestAnAlteredSignatureIsShownAsNone: one entry that the reviewer's signature covers is altered afterwards, and the report says that it does
// not hold.
func TestAnAlteredSignatureIsShownAsNone(t *testing.T) {
	t.Parallel()
	s := storied()
	for i, e := range s.Entries {
		if e.Seq == 101 {
			s.Entries[i].JSON = bytes.Replace(e.JSON, []byte(replicates[0]), []byte("1.2311"), 1)
		}
	}
	r, err := report.NewRun(*s)
	if err != nil {
		t.Fatal(err)
	}
	issued(&r.Told, report.OfRun)
	for _, row := range part(t, report.Compose(r), "Signatures").Table.Rows {
		if !strings.HasPrefix(row.Cells[3], "DOES NOT HOLD: the entries before it are not those that were signed") || !row.Out {
			t.Errorf("%q", row.Cells[3])
		}
	}
}

// TestWhatALaboratoryReportHas: of the items of ISO/IEC 17025:2017, 7.8.2.1, those that weighpost can know are on the paper: title (a), where it was
// done (c), one number on each page and an end (d), who asked, as far as that was told (e), method (f), items (g), dates of the work (i), date of
// issue (j), that results relate only to the items (l), results with units (m), what was left out or allowed (n), and who issued it (o).
func TestWhatALaboratoryReportHas(t *testing.T) {
	t.Parallel()
	pages := strings.Split(strings.TrimSuffix(tool(t, "pdftotext", "-layout", sheet(t, run(t)), "-"), "\f"), "\f")
	all := squeezed(strings.Join(pages, ""))
	for item, want := range map[string]string{"a": "Run r-7qx3-000017: Thousand-seed weight", "c": "b-12 (sorting room)", "e": "as asked: client county nursery", "f": "thousand-seeds, version 2", "g": "sample LOT-4711, lot 2026-B, container dish 4",
		"i": "Begun 2026-11-30 09:15:47", "j": "Report rep-7qx3-000004, issued 2026-11-30 10:14:07", "l": "The results relate only to the items that were weighed", "m": "12.31 g", "n": "excluded by Ada Quill", "o": "by Eve Lark (eve), reviewer"} {
		if !strings.Contains(all, squeezed(want)) {
			t.Errorf("%s: it does not say %q", item, want)
		}
	}
	for i, p := range pages {
		if !strings.Contains(p, "rep-7qx3-000004") || strings.Contains(p, "End of report rep-7qx3-000004.") != (i == len(pages)-1) {
			t.Errorf("page %d has no number, or an end that is none", i+1)
		}
	}
}
