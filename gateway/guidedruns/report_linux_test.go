package guidedruns

import (
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// reported: Rhea issues the report of the run that she approved, and a destination gets it as a file. What the file says is read by Poppler's
// pdftotext and, of its QR code, by zbar.
func reported(s *seat) {
	needs.Programs(s.T, "pdftotext", "pdftoppm", "zbarimg")
	s.run = s.l.seeds
	page := "runs/" + s.run + "/review"
	s.is("ida")
	s.Visit(page)
	s.Shows("#reports", "None was issued yet", "Preview as PDF")
	s.Lacks("#issue-report")
	s.is("rhea")
	s.Visit(page)
	first := s.issues("")
	text := s.arrived(first)
	signed := all[record.Signature](s.l, record.KindSignature)[0]
	s.signedOnPaper(text, &signed)
	for _, want := range []string{s.run, "dimorphotheca", "0.2224 g", "DOES NOT COUNT: excluded by Ida Sower", "spilt: two seeds lay beside the dish", "0.21196 g", "0.21265 g", "by Ida Sower", first.Report, "page 1 of "} {
		if !strings.Contains(text, squeezed(want)) {
			s.T.Errorf("the report does not say %q", want)
		}
	}
	s.provable(first, text)
	second := s.issues("the address above it was the old one")
	if second.Replaces != first.Report || second.Why != "the address above it was the old one" || second.Run.ID != s.run {
		s.T.Errorf("the second is recorded as %+v", second)
	}
	if again := s.arrived(second); !strings.Contains(again, squeezed("This report takes the place of report "+first.Report+", because: the address above it was the old one")) {
		s.T.Errorf("the second report does not say on its first page which it replaces: %.2000s", again)
	}
	s.Shows("#reports", second.Report, "in the place of "+first.Report, "the address above it was the old one")
	s.shoot("issued")
}

// issues has whoever is before the page issue the report of the run, for a reason where it is not the first.
func (s *seat) issues(reason string) record.ReportIssued {
	s.T.Helper()
	before := len(all[record.ReportIssued](s.l, record.KindReportIssued))
	s.Click("#issue-report > summary")
	if reason != "" {
		s.Fill("#report-why", reason)
	}
	s.Sends("#issue-report button")
	list := all[record.ReportIssued](s.l, record.KindReportIssued)
	if len(list) != before+1 {
		s.T.Fatalf("%d reports are issued, and there were %d", len(list), before)
	}
	one := list[before]
	s.Shows("#reports li:first-child", one.Report, "Rhea Sower")
	return one
}

// papers is the folder that reports are delivered to.
func (l *lab) papers() string { return filepath.Join(l.dir, "papers") }

// arrived waits for the file of a report, and gives all that it says, without blanks.
func (s *seat) arrived(r record.ReportIssued) string {
	s.T.Helper()
	file := s.l.fileOf(r)
	s.l.waitFor(file, func() bool {
		info, err := os.Stat(file)
		return err == nil && info.Size() == r.Size
	})
	return squeezed(s.tool("pdftotext", "-raw", file, "-"))
}

// fileOf is the file of a report where it is delivered.
func (l *lab) fileOf(r record.ReportIssued) string { return filepath.Join(l.papers(), r.Report+".pdf") }

// signedOnPaper: printed name, date and time with the zone, and meaning of a signature are in the file (21 CFR 11.50(a) and (b)).
func (s *seat) signedOnPaper(text string, sig *record.Signature) {
	s.T.Helper()
	there, known := sig.Stamp.There()
	if !known {
		s.T.Fatalf("the signature has no zone: %+v", sig.Stamp)
	}
	for _, want := range []string{"Rhea Sower", "reviewer", there.Format("2006-01-02 15:04:05.000 -07:00"), sig.Zone, signature.Meaning(record.MeansReviewed), "in force", sig.Covers.Root, sig.ID} {
		if want == "" || !strings.Contains(text, squeezed(want)) {
			s.T.Errorf("of the signature the report does not say %q", want)
		}
	}
}

// provable holds the root that the file gives, in words and in its QR code, against the bytes of the entries that it names, as the journal has them.
func (s *seat) provable(r record.ReportIssued, text string) {
	s.T.Helper()
	_, rest, _ := strings.Cut(text, "Theirsequences")
	spans, _, found := strings.Cut(rest, "Thelastofthem")
	told := s.l.entriesOf(spans)
	if !found || len(told) == 0 {
		s.T.Fatalf("the report names no entries that it tells of: %q", spans)
	}
	file := s.l.fileOf(r)
	pages := strings.Split(s.tool("pdftotext", file, "-"), "\f")
	page := strconv.Itoa(1 + slices.IndexFunc(pages, func(p string) bool { return strings.Contains(p, "The code says") }))
	picture := filepath.Join(s.T.TempDir(), "page")
	s.tool("pdftoppm", "-r", "110", "-gray", "-f", page, "-l", page, "-singlefile", file, picture)
	code, err := url.ParseQuery(strings.TrimSpace(s.tool("zbarimg", "-q", "--raw", "--nodbus", picture+".pgm")))
	if err != nil {
		s.T.Fatal(err)
	}
	for name, want := range map[string]string{"run": s.run, "site": "seed-bank", "report": r.Report, "entries": strconv.Itoa(len(told)), "last": strconv.FormatUint(r.Last, 10), "root": signature.Root(told)} {
		if code.Get(name) != want {
			s.T.Errorf("the code says %s=%q, and it had to be %q", name, code.Get(name), want)
		}
	}
	if !strings.Contains(text, code.Get("root")) {
		s.T.Error("the root in words is not that of the code")
	}
}

// entriesOf are the bytes of the entries with sequences such as 4,7to12.
func (l *lab) entriesOf(spans string) (list [][]byte) {
	l.t.Helper()
	wanted := map[uint64]bool{}
	for span := range strings.SplitSeq(spans, ",") {
		from, to, many := strings.Cut(span, "to")
		first, err := strconv.ParseUint(from, 10, 62)
		last := first
		if many && err == nil {
			last, err = strconv.ParseUint(to, 10, 62)
		}
		if err != nil || last < first || last-first > 10_000 {
			l.t.Fatalf("%q is no list of sequences: %v", spans, err)
		}
		for n := first; n <= last; n++ {
			wanted[n] = true
		}
	}
	err := journal.Scan(l.t.Context(), filepath.Join(l.dir, "journal"), 0, func(e record.Entry) error {
		if wanted[e.Seq] {
			list = append(list, slices.Clone(e.JSON))
		}
		return nil
	})
	if err != nil || len(list) != len(wanted) {
		l.t.Fatalf("the journal has %d of the %d entries: %v", len(list), len(wanted), err)
	}
	return list
}

// squeezed is a text without blanks.
func squeezed(s string) string { return strings.Join(strings.Fields(s), "") }

// tool runs a program and gives what it prints.
func (s *seat) tool(args ...string) string {
	s.T.Helper()
	out, err := exec.CommandContext(s.T.Context(), args[0], args[1:]...).Output()
	if err != nil {
		s.T.Fatalf("%v: %v %s", args, err, out)
	}
	return string(out)
}
