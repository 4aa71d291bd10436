package report_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/gateway/report"
)

// ends is a run of the n-th number that ended with results, of one sample.
func ends(n uint64, state, sample string, results ...record.RunResult) *record.RunEnded {
	run := record.RunRef{ID: fmt.Sprintf("r-7qx3-%06d", n), Procedure: theRun.Procedure}
	return &record.RunEnded{Head: head(n), Run: run, Balance: &bench, State: state, Items: []record.RunItem{{Sample: sample}}, Results: results, Stamp: at(n), By: ada}
}

func found(digits string) record.RunResult {
	return record.RunResult{Name: "x", Label: "Moisture", Digits: digits, Unit: "%"}
}

// sampled is the report of LOT-4711 over runs that found these values, one each: every third value was corrected after another was found first.
// Beside them are runs that must not count: one that was abandoned, one that another replaces, and one of another sample.
func sampled(t *testing.T, values []string) *report.Sample {
	t.Helper()
	var entries []record.Entry
	seq := uint64(0)
	add := func(make func(seq uint64) record.Body) {
		seq++
		entries = append(entries, entry(seq, make(seq)))
	}
	for i, digits := range values {
		if i%3 != 0 {
			add(func(n uint64) record.Body { return ends(n, record.RunComplete, "LOT-4711", found(digits)) })
			continue
		}
		var run record.RunRef
		add(func(n uint64) record.Body {
			e := ends(n, record.RunComplete, "LOT-4711", found("999999.5"))
			run = e.Run
			return e
		})
		add(func(n uint64) record.Body {
			return &record.RunCorrected{Head: head(n), Run: run, Change: record.CorrectExclude, Of: ref(n - 1), Results: []record.RunResult{found(digits)}, From: record.RunComplete, To: record.RunComplete, Stamp: at(n), By: ada}
		})
	}
	add(func(n uint64) record.Body { return ends(n, record.RunAbandoned, "LOT-4711", found("888888.5")) })
	var replaced record.RunRef
	add(func(n uint64) record.Body {
		e := ends(n, record.RunComplete, "LOT-4711", found("777777.5"))
		replaced = e.Run
		return e
	})
	add(func(n uint64) record.Body {
		return &record.RunReview{Head: head(n), Run: replaced, Act: record.ActReplace, From: record.RunComplete, To: record.RunReplaced, Stamp: at(n), By: eve}
	})
	other := found("666666.5")
	other.Item = &record.RunItem{Sample: "LOT-1"}
	add(func(n uint64) record.Body { return ends(n, record.RunComplete, "LOT-4711", other) })
	s, err := report.NewSample(report.Sample{Told: report.Told{Site: "seed-bank", Entries: entries, Number: "rep-1", Template: report.Template{Blocks: []report.Block{{Block: report.BlockHeader}, {Block: report.BlockStatistics}}}}, ID: "LOT-4711"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestStatisticsOfASampleAreCertified: number, mean, standard deviation, smallest and largest of the results of a sample's runs are those of the NIST
// Statistical Reference Datasets (univariate summary statistics), to all digits that the report shows: each value is the result of one run.
func TestStatisticsOfASampleAreCertified(t *testing.T) {
	t.Parallel()
	const folder = "../metrology/testdata"
	f, err := os.Open(filepath.Join(folder, "strd_univariate.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 10 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		text, err := os.ReadFile(filepath.Join(folder, row[1]))
		if err != nil {
			t.Fatal(err)
		}
		values := strings.Fields(string(text))[1:]
		table := part(t, report.Compose(sampled(t, values)), "Statistics").Table
		if len(table.Rows) != 1 {
			t.Fatalf("%s: %d rows: %v", row[0], len(table.Rows), table.Rows)
		}
		cells := table.Rows[0].Cells
		if cells[0] != "thousand-seeds: Moisture" || cells[1] != row[2] {
			t.Errorf("%s: %q, and certified are %s values", row[0], cells, row[2])
		}
		mean, sd := rat(t, row[3]), rat(t, row[4])
		share := new(big.Rat).Mul(big.NewRat(100, 1), new(big.Rat).Quo(sd, new(big.Rat).Abs(mean)))
		least, most := rat(t, values[0]), rat(t, values[0])
		for _, v := range values {
			if x := rat(t, v); x.Cmp(least) < 0 {
				least = x
			} else if x.Cmp(most) > 0 {
				most = x
			}
		}
		for i, want := range []*big.Rat{mean, sd, share, least, most} {
			rounds(t, row[0]+", "+table.Heads[i+2].Name, strings.TrimSuffix(cells[i+2], " %"), want)
		}
	}
}

func rat(t *testing.T, digits string) *big.Rat {
	t.Helper()
	x, ok := new(big.Rat).SetString(digits)
	if !ok {
		t.Fatalf("%q is no number", digits)
	}
	return x
}

// rounds says that a number is what a more exact one is rounded to.
func rounds(t *testing.T, what, got string, want *big.Rat) {
	t.Helper()
	_, decimals, _ := strings.Cut(got, ".")
	half := rat(t, "0.5e-"+fmt.Sprint(len(decimals)))
	if off := new(big.Rat).Sub(rat(t, got), want); off.Abs(off).Cmp(half) > 0 {
		t.Errorf("%s: %s, and certified is %s", what, got, want.FloatString(len(decimals)+4))
	}
}

// TestTheReportOfASampleKeepsOtherSamplesOut: of a run of several samples it shows what was found of its own and of the whole run, and says that there
// were others.
func TestTheReportOfASampleKeepsOtherSamplesOut(t *testing.T) {
	t.Parallel()
	own, other, whole := found("6.5"), found("31.25"), record.RunResult{Name: "mean", Label: "Mean loss", Digits: "18.9", Unit: "%"}
	own.Item, other.Item = &record.RunItem{Sample: "LOT-4711", Container: "DISH-1"}, &record.RunItem{Sample: "LOT-9", Container: "DISH-2"}
	e := ends(1, record.RunComplete, "LOT-4711", own, other, whole)
	e.Items = []record.RunItem{*own.Item, *other.Item}
	corrected := &record.RunCorrected{Head: head(2), Run: e.Run, Change: record.CorrectAmend, Of: ref(1), Results: e.Results, From: record.RunComplete, To: record.RunComplete, Stamp: at(2), By: ada}
	elsewhere, of := *corrected, *corrected
	elsewhere.Head, elsewhere.Of, elsewhere.Steps, elsewhere.Change, elsewhere.Comment = head(3), ref(7), []record.EntryRef{ref(8)}, record.CorrectExclude, "the crucible of LOT-9 cracked"
	of.Head, of.Field, of.Before, of.After = head(4), "lot", "LOT-9", "DISH-2"
	mine := *corrected
	mine.Head, mine.Field, mine.Before, mine.After = head(5), "container", "DISH-1", "DISH-7"
	for n, entries := range [][]record.Entry{{entry(1, e), entry(5, &mine)}, {entry(1, e), entry(2, corrected), entry(3, &elsewhere), entry(4, &of), entry(5, &mine)}} {
		s, err := report.NewSample(report.Sample{Told: report.Told{Site: "seed-bank", Entries: entries}, ID: "LOT-4711"})
		if err != nil {
			t.Fatal(err)
		}
		issued(&s.Told, report.OfSample)
		d := report.Compose(s)
		text, err := json.Marshal(d.Parts)
		if err != nil {
			t.Fatal(err)
		}
		got := string(text)
		for want, said := range map[string]bool{"6.5 %": true, "18.9 %": true, "DISH-1": true, "DISH-7": true, "1 of the 2 items of the run are of other samples": true, "31.25": false, "LOT-9": false, "DISH-2": false} {
			if strings.Contains(got, want) != said {
				t.Errorf("report %d: that it says %q is %v: %s", n, want, !said, got)
			}
		}
		if rows := part(t, d, "Run "+e.Run.ID).Table.Rows; len(rows) != 2 {
			t.Errorf("report %d: %d results: %v", n, len(rows), rows)
		}
	}
}
