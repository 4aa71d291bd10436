package issued_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"weighpost/gateway/issued"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

// open opens a room over a journal that verifies itself when the test ends.
func open(t *testing.T, j *journal.Journal, dir string) (r *issued.Room, end func()) {
	t.Helper()
	r = issued.New(issued.Options{Dir: dir, Journal: j, Incarnation: j.Incarnation()})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); r.Run(ctx) }()
	end = sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(end)
	return r, end
}

func made(string) (*record.ReportIssued, error) {
	return &record.ReportIssued{Template: "built-in", Sum: strings.Repeat("ab", 32), Size: 10, By: record.Actor{ID: "eve"}}, nil
}

// TestAReportIsReplacedByNameOnly: numbers have no gaps, a second report of the same names the one that it replaces, and why; and all of it
// is known after a start, with what was written down and without.
func TestAReportIsReplacedByNameOnly(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	r, end := open(t, j, dir)
	issue := func(about, replaces, why string) (string, error) {
		one, err := r.Issue(t.Context(), issued.Order{Of: "run", About: about, Replaces: replaces, Why: why}, made)
		return one.Report, err
	}
	first, err := issue("r-1", "", "")
	if err != nil || !strings.HasSuffix(first, "-000001") {
		t.Fatal(first, err)
	}
	var refused *record.NotDone
	for what, try := range map[string][3]string{"again": {"r-1", "", ""}, "no reason": {"r-1", first, ""}, "of another": {"r-2", first, "typing"}, "unknown": {"r-2", "rep-0-000009", "typing"}, "no number": {"r-2", "", "typing"}} {
		if n, err := issue(try[0], try[1], try[2]); !errors.As(err, &refused) {
			t.Errorf("%s: %s %v", what, n, err)
		}
	}
	if _, err := r.Issue(t.Context(), issued.Order{Of: "run", About: "r-3"}, func(string) (*record.ReportIssued, error) { return nil, errors.New("no room") }); err == nil {
		t.Error("a report that cannot be made is issued")
	}
	second, err := issue("r-1", first, "a weighing was excluded")
	if err != nil || !strings.HasSuffix(second, "-000002") {
		t.Fatal(second, err)
	}
	if _, err := issue("r-1", first, "once more"); !errors.As(err, &refused) {
		t.Errorf("a report is replaced twice: %v", err)
	}
	for _, how := range []string{"with what was written down", "without"} {
		end()
		if how == "without" {
			if err := os.Remove(filepath.Join(dir, issued.FileName)); err != nil {
				t.Fatal(err)
			}
		}
		r, end = open(t, j, dir)
		n, err := issue(fmt.Sprint("r-4 ", how), "", "")
		if err != nil {
			t.Fatal(err)
		}
		one, instead, known := r.Report(first)
		list, _ := r.List("run", "r-1", "", 10)
		if !known || instead != second || one.About != "r-1" || len(list) != 2 || list[0].Report != second {
			t.Errorf("%s: %+v %s, %d, %s", how, one, instead, len(list), n)
		}
	}
	if page, more := r.List("", "", second, 1); len(page) != 1 || more || page[0].Report != first {
		t.Errorf("%+v %v", page, more)
	}
}

// TestManyWhoIssueAtOnce get a number each.
func TestManyWhoIssueAtOnce(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	r, _ := open(t, j, dir)
	var all sync.WaitGroup
	numbers := make([]string, 20)
	for i := range numbers {
		all.Go(func() {
			one, err := r.Issue(t.Context(), issued.Order{Of: "day", About: fmt.Sprint(i)}, made)
			if err != nil {
				t.Error(err)
			}
			numbers[i] = one.Report
		})
	}
	all.Wait()
	seen := map[string]bool{}
	for _, n := range numbers {
		seen[n] = true
	}
	if len(seen) != len(numbers) {
		t.Errorf("%q", numbers)
	}
}

// TestEachFormOfAReportIsOneOfItsOwn: the same run is out as a PDF and as data, each replaced by one of its own form only; a PDF is one whether
// that is said or not.
func TestEachFormOfAReportIsOneOfItsOwn(t *testing.T) {
	dir := t.TempDir()
	j := journaltest.Open(t, journal.Options{Dir: dir, Site: "seed-bank"})
	r, _ := open(t, j, dir)
	numbers := map[string]string{}
	for _, form := range []string{record.ReportPDF, record.ReportJSON, record.ReportLaboratory} {
		one, err := r.Issue(t.Context(), issued.Order{Of: "run", About: "r-1", Form: form}, made)
		if err != nil || (one.Form == "") != (form == record.ReportPDF) {
			t.Fatal(one, err)
		}
		numbers[form] = one.Report
	}
	var refused *record.NotDone
	for what, o := range map[string]issued.Order{"a PDF again": {Of: "run", About: "r-1"}, "data again": {Of: "run", About: "r-1", Form: record.ReportJSON},
		"in place of another form": {Of: "run", About: "r-1", Form: record.ReportJSON, Replaces: numbers[record.ReportPDF], Why: "typing"}} {
		if n, err := r.Issue(t.Context(), o, made); !errors.As(err, &refused) {
			t.Errorf("%s: %s %v", what, n.Report, err)
		}
	}
	if n, err := r.Issue(t.Context(), issued.Order{Of: "run", About: "r-1", Form: record.ReportJSON, Replaces: numbers[record.ReportJSON], Why: "a weighing was excluded"}, made); err != nil {
		t.Error(n.Report, err)
	}
}
