package report_test

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
)

var update = flag.Bool("update", false, "rewrite the golden text")

var began = time.Date(2026, 11, 30, 8, 14, 7, 123456000, time.UTC)

func stamp(after time.Duration) record.Stamp {
	bound := record.Span(21 * time.Millisecond)
	return record.Stamp{UTC: record.UTC(began.Add(after)), Zone: "+01:00", Bound: &bound, Clock: record.ClockChecked, Sources: 3}
}

func head(seq uint64) record.Head {
	return record.Head{ID: fmt.Sprintf("seed-bank/7qx3/@/%06d", seq), Seq: seq, Site: "seed-bank"}
}

var ada = record.Actor{ID: "ada", Name: "Ada Quill", Role: "balance-keeper", By: record.ActorPassword}

// attempt is one attempt at a step.
func attempt(seq uint64, step, number int, name, became, digits string) *record.CheckStep {
	s := &record.CheckStep{Head: head(seq), Step: step, Name: name, Attempt: number, Became: became, By: ada, Stamp: stamp(time.Duration(seq) * time.Second)}
	if digits != "" {
		s.Value, s.Settled, s.Expected = &record.Value{Digits: digits, Unit: "g", PrintedUnit: "g", Kind: "gross", Range: "in"}, "stream", "0 g"
	}
	if name != "zero" && digits != "" {
		s.Expected, s.Weights = "100.0003 g", []string{"f1-3-100"}
	}
	return s
}

// failed is a check with everything that a check can have.
func failed() *report.Check {
	balance := record.Balance{ID: "b-12", Serial: "SB-4410", Place: "sorting room", Capacity: "220 g", Readability: "0.0001 g", VerificationInterval: "0.001 g"}
	ref := record.CheckRef{ID: "b-12/c000017", Definition: "daily", Hash: "sha256:5f1d"}
	weights := []record.WeightUsed{{Entry: "seed-bank/7qx3/@/000003", Doubt: "its certificate was due on 2026-11-01", ReferenceWeight: record.ReferenceWeight{ID: "f1-3-100", Set: "3", Serial: "S-77",
		Nominal: "100 g", Class: "F1", Conventional: "100.0003 g", Uncertainty: "0.15 mg", CoverageFactor: "2",
		Certificate: &record.Certificate{Number: "K-2025-118", By: "county laboratory", Date: "2025-11-01", Due: "2026-11-01", File: &record.KeptFile{Name: "k118.pdf", SHA256: "ab12", Bytes: 10}}}}}
	yes := attempt(11, 1, 1, "question 1", record.AttemptAnswered, "")
	yes.Answer, yes.Reason = "yes", "Does the balance stand level?"
	replaced := attempt(15, 3, 2, "100 g", record.AttemptReplaced, "100.0019")
	replaced.Reason = "a draught"
	steps := []*record.CheckStep{yes, attempt(12, 2, 1, "zero", record.AttemptTaken, "0.0000"), attempt(13, 3, 1, "100 g", record.AttemptDoubted, "50.0001"),
		attempt(14, 3, 2, "100 g", record.AttemptTaken, "100.0019"), replaced, attempt(16, 3, 3, "100 g", record.AttemptTaken, "100.0018")}
	e := &record.CheckEnded{Head: head(17), Check: ref, Balance: balance, Why: record.CheckScheduled, Outcome: record.CheckFailed, Weights: weights, By: ada, Stamp: stamp(time.Minute),
		Begun: record.EntryRef{Seq: 10, ID: head(10).ID},
		Results: []record.CheckResult{{Name: "error at 100 g", Value: "0.00150 g", Exact: "0.0015", Rounded: "half to even", Warn: "0.0007 g", Limit: "0.001 g",
			From: "OIML R 76-1:2006, 3.5.1, Table 6 (from memory: hold the document against it before relying on it)", Verdict: record.CheckFailed,
			Uncertainty: "0.00018 g (k = 2; readability and weights alone)", Budget: []record.UncertaintyPart{{Name: "reference weights", Spread: "normal", Standard: "0.000075 g", Share: "77.1 %"}}}},
		MinimumWeight: &record.MinimumWeight{Mass: "0.0820 g", Source: "USP <41>, repeatability"}}
	for _, s := range steps {
		s.Check, s.Balance = ref, balance
		e.Steps = append(e.Steps, record.EntryRef{Seq: s.Seq, ID: s.ID})
	}
	return &report.Check{Ended: e, Steps: steps, Version: "1.2.3",
		Begun:    &record.CheckBegun{Head: head(10), Check: ref, Balance: balance, Class: "I", Why: e.Why, Weights: weights, By: ada, Stamp: stamp(0)},
		Followed: &record.FitnessChanged{Head: head(18), State: record.OutOfService, Was: record.InCheck, Cause: record.ByCheckFailed, Reason: "failed: daily", Stamp: stamp(time.Minute)},
		Proof:    report.Proof{Leaf: strings.Repeat("9a", 32), Key: "seed-bank+1", Checkpoint: "seed-bank/7qx3\n18\nAAAA\n\n— seed-bank+1 BBBB\n"}}
}

// onPaper writes the report of a check to a file, and holds it against qpdf.
func onPaper(t *testing.T, c *report.Check) string {
	t.Helper()
	needs.Programs(t, "pdftotext", "qpdf")
	var b bytes.Buffer
	if err := c.Document().Write(&b, c.Version, c.Made()); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if said := tool(t, "qpdf", "--check", file); !strings.Contains(said, "No syntax or stream encoding errors found") {
		t.Error(said)
	}
	return file
}

func tool(t *testing.T, args ...string) string {
	t.Helper()
	b, err := exec.CommandContext(context.Background(), args[0], args[1:]...).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %v: %s", args, err, b)
	}
	return string(b)
}

// squeezed is text without its white space, since a cell breaks it anywhere.
func squeezed(s string) string { return strings.Join(strings.Fields(s), "") }

// TestTheReportOfAFailedCheck is held against a text that was read word by word. Look over what -update writes.
func TestTheReportOfAFailedCheck(t *testing.T) {
	t.Parallel()
	file := onPaper(t, failed())
	got := tool(t, "pdftotext", "-layout", file, "-")
	const golden = "testdata/failed.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	// Blanks between columns are Poppler's own, and other from version to version.
	if squeezed(got) != squeezed(string(want)) {
		t.Errorf("the report is another now (go test ./gateway/report -update):\n%s", got)
	}
	if said := tool(t, "pdfinfo", file); !strings.Contains(said, "Check of balance b-12") || !strings.Contains(said, "595.28 x 841.89") {
		t.Error(said)
	}
}

// TestEveryPageOfALongReportSaysWhatItIs: number, outcome, balance and the heads of the table, and no attempt is lost.
func TestEveryPageOfALongReportSaysWhatItIs(t *testing.T) {
	t.Parallel()
	c := failed()
	c.Steps, c.Ended.Steps = nil, nil
	for i := range 250 {
		s := attempt(uint64(100+i), i+1, 1, fmt.Sprintf("load %d of 250", i+1), record.AttemptTaken, "100.0003")
		c.Steps = append(c.Steps, s)
		c.Ended.Steps = append(c.Ended.Steps, record.EntryRef{Seq: s.Seq, ID: s.ID})
	}
	all := strings.Split(strings.TrimSuffix(tool(t, "pdftotext", "-layout", onPaper(t, c), "-"), "\f"), "\f")
	if len(all) < 5 {
		t.Fatalf("%d pages", len(all))
	}
	for i, text := range all {
		if !strings.Contains(text, fmt.Sprintf("page %d of %d", i+1, len(all))) || !strings.Contains(text, "FAILED") || !strings.Contains(text, "b-12/c000017") {
			t.Errorf("page %d does not say what it is: %.400s", i+1, text)
		}
	}
	for i := range 250 {
		if n := strings.Count(strings.Join(all, "\n"), fmt.Sprintf("seed-bank/7qx3/@/%06d", 100+i)); n != 1 {
			t.Errorf("the attempt of entry %d is there %d times", 100+i, n)
		}
	}
	if n := strings.Count(strings.Join(all, "\n"), "What became of it"); n < len(all)-2 {
		t.Errorf("%d of %d pages have the heads", n, len(all))
	}
}

// TestHostileTextIsText: it breaks no line of the file, and what cannot be seen has a mark.
func TestHostileTextIsText(t *testing.T) {
	t.Parallel()
	for _, hostile := range []string{"</text>)Tj ET", "(a\\)b", "\u202edrow", "line\x00\x07", "日本 🌾", "\xff\xfe", strings.Repeat("W", 3000), "<script>alert(1)</script>", "%PDF-1.7\nendobj"} {
		c := failed()
		c.Ended.Balance.Place, c.Ended.Reason, c.Steps[4].Reason, c.Ended.Weights[0].Doubt = hostile, hostile, hostile, hostile
		c.Ended.Results[0].Name, c.Ended.Check.ID, c.Ended.Site = hostile, hostile, hostile
		text := squeezed(tool(t, "pdftotext", "-raw", onPaper(t, c), "-"))
		want := squeezed(regexp.MustCompile(`[^ -~]+`).ReplaceAllString(hostile, " "))
		if len(want) > 60 {
			want = want[:60]
		}
		if strings.Count(text, want) < 4 && len(want) > 2 {
			t.Errorf("%q is not there as it is: %.600s", hostile, text)
		}
		if !strings.Contains(text, "neverreplacesit") {
			t.Errorf("%q: the report ends early", hostile)
		}
	}
}

// TestWhatIsNotKnownIsSaid: nothing is guessed of a check of which little is left, and nothing panics.
func TestWhatIsNotKnownIsSaid(t *testing.T) {
	t.Parallel()
	c := &report.Check{Ended: &record.CheckEnded{Outcome: record.CheckAborted, Steps: []record.EntryRef{{Seq: 4, ID: "seed-bank/7qx3/@/000004"}}},
		Proof: report.Proof{Missing: "No checkpoint covers the entry yet."}}
	text := squeezed(tool(t, "pdftotext", "-raw", onPaper(t, c), "-"))
	for _, want := range []string{"NO VERDICT", "neither good nor bad", "Serial number not known", "Accuracy class not known", "There is no result.", "None is recorded.",
		"The check has 1 attempts, and 0 of them could be read. Entries: seed-bank/7qx3/@/000004.", "State that followed not known", "No checkpoint covers the entry yet.", "never replaces it"} {
		if !strings.Contains(text, squeezed(want)) {
			t.Errorf("it does not say %q: %s", want, text)
		}
	}
}
