package fitness_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"weighpost/gateway/fitness"
	"weighpost/gateway/journal/memory"
	"weighpost/gateway/record"
)

// aYear is a journal of 256 balances with a daily check for a year each, as checks write them.
func aYear(t testing.TB, balances, days int) *memory.Journal {
	m := memory.New("north-seed-bank")
	put := func(b record.Body) record.EntryRef {
		e, err := m.Append(t.Context(), b)
		if err != nil {
			t.Fatal(err)
		}
		return record.EntryRef{Seq: e[0].Seq, ID: e[0].ID}
	}
	w := record.WeightUsed{ReferenceWeight: record.ReferenceWeight{ID: "f1-3-200a", Set: "3", Nominal: "200 g", Class: "F1", Conventional: "200.00012 g", Uncertainty: "0.30 mg",
		CoverageFactor: "2", Certificate: &record.Certificate{Number: "2026-4711", By: "the institute", Date: "2026-01-10", Due: "2027-01-10"}}, Entry: "north-seed-bank/7qx3a/000017"}
	for day := range days {
		at := record.Stamp{UTC: record.UTC(time.Date(2026, 1, 1, 7, 0, 0, 0, time.UTC).AddDate(0, 0, day)), Clock: record.ClockChecked, Zone: "+01:00"}
		for i := range balances {
			about := record.Balance{ID: fmt.Sprintf("b-%03d", i), Serial: "48213", Place: "drying room", Readability: "0.0001 g", Capacity: "220 g"}
			ref := record.CheckRef{ID: fmt.Sprintf("%s/c%06d", about.ID, day+1), Definition: "daily", Hash: "sha256:8f434346648f6b96df89dda901c5176b10a6d83961dd3c1ac88b59b2dc327aa4"}
			begun := put(&record.CheckBegun{Check: ref, Balance: about, Why: record.CheckScheduled, Weights: []record.WeightUsed{w}, By: ada, Stamp: at})
			e := &record.CheckEnded{Check: ref, Balance: about, Why: record.CheckScheduled, Outcome: record.CheckPassed, Weights: []record.WeightUsed{w}, Begun: begun, By: ada, Stamp: at,
				Results: []record.CheckResult{{Name: "error at 200 g", Value: "0.00012 g", Exact: "0.00012", Rounded: "half to even", Warn: "0.14 g", Limit: "0.2 g",
					From: "USP <41>: 0.10 % of the load", Verdict: record.CheckPassed}}}
			for step := range 5 {
				e.Steps = append(e.Steps, put(&record.CheckStep{Check: ref, Balance: about, Step: step + 1, Name: "zero", Attempt: 1, Became: record.AttemptTaken, By: ada, Stamp: at,
					Value: &record.Value{Digits: "200.0001", Unit: "g", Kind: "net", Stability: "stable", Range: "in"}}))
			}
			put(e)
			put(&record.FitnessChanged{Balance: about, State: record.InService, Was: record.InCheck, Cause: record.ByCheckPassed, Check: ref.ID, By: ada, Stamp: at})
		}
	}
	return m
}

// TestAYearOfChecksIsBounded: what is kept, in memory and in the file beside the journal, does not grow with the years, and the file is read again.
// WEIGHPOST_LONG takes 256 balances and 365 days, and prints what that takes.
func TestAYearOfChecksIsBounded(t *testing.T) {
	balances, days := 2, 520
	if os.Getenv("WEIGHPOST_LONG") != "" {
		balances, days = 256, 365
	}
	m := aYear(t, balances, days)
	dir := t.TempDir()
	run := func() (*fitness.Room, time.Duration, func()) {
		ctx, cancel := context.WithCancel(t.Context())
		room := fitness.New(fitness.Options{Dir: dir, Journal: m, Stamp: func() record.Stamp { return record.Stamp{UTC: record.UTC(time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC))} },
			Balances: func() []fitness.Balance { return []fitness.Balance{{Describe: record.Balance{ID: "b-000"}}} }})
		began, done := time.Now(), make(chan struct{})
		go func() { defer close(done); room.Run(ctx) }()
		for !room.Ready() {
			time.Sleep(time.Millisecond)
		}
		took := time.Since(began)
		return room, took, func() { cancel(); <-done }
	}
	heap := func() uint64 {
		var s runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&s)
		return s.HeapAlloc
	}
	before := heap()
	room, took, end := run()
	grown := heap() - before
	began := time.Now()
	end()
	saved := time.Since(began)
	info, err := os.Stat(filepath.Join(dir, fitness.FileName))
	if err != nil {
		t.Fatal(err)
	}
	_, again, end := run()
	end()
	t.Logf("%d balances, %d days, %d entries: read in %s, %d MiB of memory; written down in %s, %d MiB; read from that in %s",
		balances, days, m.Head(), took.Round(time.Millisecond), grown>>20, saved.Round(time.Millisecond), info.Size()>>20, again.Round(time.Millisecond))
	most := map[int]int{2: 500, 256: 187}[balances]
	if f, _ := room.File("b-000"); len(f.Checks) != min(most, days) || f.Checks[len(f.Checks)-1].Check.ID != fmt.Sprintf("b-000/c%06d", days) {
		t.Errorf("%d checks are kept in memory, not %d", len(f.Checks), most)
	}
	if most := int64(balances*min(most, days)) * 4096; info.Size() > most {
		t.Errorf("%d bytes were written down, and %d are the most", info.Size(), most)
	}
}
