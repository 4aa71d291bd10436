package statistics_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/statistics"
)

// book makes entries.
type book struct {
	t   *testing.T
	g   *statistics.Gather
	seq uint64
}

func (b *book) add(body record.Body) {
	b.t.Helper()
	b.seq++
	*body.Identity() = record.Head{Schema: body.Kind().Schema(), ID: record.EntryID("north-lab", "7qx3", "", b.seq), Seq: b.seq, Site: "north-lab"}
	text, err := json.Marshal(body)
	if err != nil {
		b.t.Fatal(err)
	}
	e, err := record.ParseEntry(text)
	if err == nil {
		err = b.g.Add(e)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

func ref(n int) record.RunRef {
	return record.RunRef{ID: fmt.Sprintf("r-7qx3-%06d", n), Procedure: record.ProcedureRef{Name: "seed-moisture", Version: 2}}
}

func result(name, digits, unit, verdict string) record.RunResult {
	return record.RunResult{Name: name, Digits: digits, Unit: unit, Verdict: verdict}
}

// ended is a run that ended n days after the first of November.
func (b *book) ended(n int, state string, results ...record.RunResult) *record.RunEnded {
	at := time.Date(2026, 11, 1, 23, 30, 0, 0, time.UTC).AddDate(0, 0, n)
	e := &record.RunEnded{Run: ref(n), State: state, Results: results, Balances: []string{"b-12"}, Items: []record.RunItem{{Sample: fmt.Sprintf("LOT-%d", n%2)}},
		Stamp: record.Stamp{UTC: record.UTC(at), Zone: "+01:00"}}
	return e
}

// TestCertifiedStatisticsOverRuns holds mean and standard deviation over the results of runs against the certified values of the NIST
// Statistical Reference Datasets (univariate summary statistics), to all certified digits: each value is the result of one run.
func TestCertifiedStatisticsOverRuns(t *testing.T) {
	const folder = "../metrology/testdata"
	f, err := os.Open(filepath.Join(folder, "strd_univariate.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		b := &book{t: t, g: statistics.New(statistics.Wanted{})}
		text, err := os.ReadFile(filepath.Join(folder, row[1]))
		if err != nil {
			t.Fatal(err)
		}
		for i, digits := range strings.Fields(string(text))[1:] {
			b.add(b.ended(i, record.RunComplete, result("x", digits, "g", "passed")))
		}
		all := b.g.Table()
		if len(all.Groups) != 1 || fmt.Sprint(all.Groups[0].N()) != row[2] {
			t.Fatalf("%s: %+v", row[0], all)
		}
		near(t, row[0]+" mean", all.Groups[0].Mean(), row[3])
		near(t, row[0]+" standard deviation", all.Groups[0].SD(), row[4])
	}
	if len(rows) != 10 {
		t.Errorf("%d data sets", len(rows)-1)
	}
}

// near says that a number agrees with a printed one to all of its digits.
func near(t *testing.T, what string, got *big.Rat, printed string) {
	t.Helper()
	_, decimals, _ := strings.Cut(printed, ".")
	want, _ := new(big.Rat).SetString(printed)
	half := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Mul(big.NewInt(2), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(len(decimals))), nil)))
	if off := new(big.Rat).Sub(got, want); off.Abs(off).Cmp(half) > 0 {
		t.Errorf("%s: %s, and certified is %s", what, got.FloatString(len(decimals)+4), printed)
	}
}

// TestResultsAreThoseThatStand: after corrections, without what was abandoned or replaced, and everything left out is counted.
func TestResultsAreThoseThatStand(t *testing.T) {
	b := &book{t: t, g: statistics.New(statistics.Wanted{})}
	for n := range 7 {
		b.add(b.ended(n, record.RunComplete, result("mass", fmt.Sprintf("1%d.00", n), "g", "passed"), result("note", "", "", "not judged")))
	}
	b.add(b.ended(7, record.RunAbandoned))
	b.add(&record.RunCorrected{Run: ref(1), To: record.RunComplete, Results: []record.RunResult{result("mass", "99.00", "g", "failed")}, Excluded: []record.EntryRef{{Seq: 1, ID: "x"}}})
	act := func(n int, act, from, to string) { b.add(&record.RunReview{Run: ref(n), Act: act, From: from, To: to}) }
	act(2, record.ActReplace, record.RunComplete, record.RunReplaced)
	act(3, record.ActReplace, record.RunComplete, record.RunReplaced)
	act(3, record.ActArchive, record.RunReplaced, record.RunArchived)
	act(4, record.ActApprove, record.RunInReview, record.RunApproved)
	act(4, record.ActArchive, record.RunApproved, record.RunArchived)
	act(4, record.ActLook, record.RunArchived, record.RunArchived)
	all := b.g.Table()
	if all.Runs != 5 || all.Abandoned != 1 || all.Replaced != 2 || len(all.Groups) != 2 {
		t.Fatalf("%+v", all)
	}
	m, note := all.Groups[0], all.Groups[1]
	// 10.00, 99.00, 14.00, 15.00, 16.00: mean 30.8, s² = 1458.7 with n − 1, by hand, and by the module statistics of Python
	if m.N() != 5 || m.Text(m.Mean()) != "30.8000" || m.Text(m.SD()) != "38.1929" || m.Least() != "10.00" || m.Most() != "99.00" || m.Excluded != 1 || m.Approved() != 1 {
		t.Errorf("%d, mean %s, s %s, %s to %s, excluded %d, approved %d", m.N(), m.Text(m.Mean()), m.Text(m.SD()), m.Least(), m.Most(), m.Excluded, m.Approved())
	}
	if outside := statistics.Percent(m.Outside()); outside != "20.00" || m.Count("passed") != 4 || statistics.Percent(m.CV()) != "124.00" {
		t.Errorf("outside %s, CV %s", outside, statistics.Percent(m.CV()))
	}
	if note.N() != 0 || note.Without != 4 || note.Mean() != nil || note.SD() != nil || note.CV() != nil || note.Least() != "" || note.Outside() != nil || note.Text(note.Mean()) != "" {
		t.Errorf("%+v", note)
	}
}

// TestGroupsAndFilters: by sample, lot, balance and time; units are never mixed, and a result of several samples is of none.
func TestGroupsAndFilters(t *testing.T) {
	for _, c := range []struct {
		wants statistics.Wanted
		want  string
	}{
		{statistics.Wanted{By: statistics.BySample}, "mass g LOT-0 2, mass g LOT-1 2, mass mg LOT-0 1, sum g  1"},
		{statistics.Wanted{By: statistics.ByMonth}, "mass g 2026-11 4, mass mg 2026-11 1, sum g 2026-11 1"},
		{statistics.Wanted{By: statistics.ByDay, Result: "sum"}, "sum g 2026-11-06 1"}, // 23:30 UTC on the 5th, +01:00
		{statistics.Wanted{By: statistics.ByYear, Sample: "LOT-1"}, "mass g 2026 2"},
		{statistics.Wanted{By: statistics.ByBalance}, "mass g  1, mass g b-12 3, mass mg b-12 1, sum g  1"},
		{statistics.Wanted{Balance: "b-12"}, "mass g  3, mass mg  1"},
		{statistics.Wanted{Lot: "L-1"}, ""},
		{statistics.Wanted{Procedure: "another"}, ""},
		{statistics.Wanted{Version: 2, From: time.Date(2026, 11, 3, 0, 0, 0, 0, time.UTC), To: time.Date(2026, 11, 5, 0, 0, 0, 0, time.UTC)}, "mass g  1, mass mg  1"},
		{statistics.Wanted{Approved: true}, ""},
	} {
		b := &book{t: t, g: statistics.New(c.wants)}
		for n := range 3 {
			b.add(b.ended(n, record.RunComplete, result("mass", "1.0", "g", "passed")))
		}
		b.add(&record.RunCorrected{Run: ref(1), Results: []record.RunResult{result("mass", "2.0", "g", "passed")}}) // state unsaid: it stays
		mg := b.ended(3, record.RunComplete, result("mass", "1.0", "mg", "passed"))
		mg.Items = []record.RunItem{{Sample: "LOT-0"}}
		mg.Stamp.UTC = record.UTC(mg.Stamp.UTC.Time().AddDate(0, 0, -1))
		b.add(mg)
		several := b.ended(4, record.RunComplete, result("sum", "1.0", "g", "passed"), record.RunResult{Name: "mass", Digits: "3", Unit: "g", Item: &record.RunItem{Sample: "LOT-1"}})
		several.Items, several.Balances = []record.RunItem{{Sample: "LOT-0"}, {Sample: "LOT-1"}}, []string{"b-12", "b-13"}
		b.add(several)
		var got []string
		for _, o := range b.g.Table().Groups {
			got = append(got, fmt.Sprintf("%s %s %s %d", o.Result, o.Unit, o.Of, o.N()))
		}
		if text := strings.Join(got, ", "); text != c.want {
			t.Errorf("%+v:\n%s\n%s", c.wants, text, c.want)
		}
	}
}

// TestNoMoreRunsThanAreHeld: a question that is too wide is refused, not answered in part.
func TestNoMoreRunsThanAreHeld(t *testing.T) {
	g := statistics.New(statistics.Wanted{})
	g.Limit(100)
	var err error
	n := 0
	for ; n <= 200 && err == nil; n++ {
		err = g.Add(record.Entry{Seq: 1, Kind: record.KindRunEnded, JSON: fmt.Appendf(nil, `{"run":{"id":"r-%d"},"stamp":{"utc":"2026-11-25T10:04:05.000001Z"}}`, n)})
	}
	if _, is := err.(statistics.TooMany); !is || n != 101 {
		t.Errorf("%d: %v", n, err)
	}
}
