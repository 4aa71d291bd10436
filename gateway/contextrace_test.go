//go:build linux

package gateway_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// attempt is one scan and one print about the same time, as the world outside the daemon knows them: when each was
// written to its cable.
type attempt struct {
	id                        string
	print                     int // thousandths of a gram; the print after it has one more
	scanBegan, scanWritten    time.Time
	printBegan, printsWritten time.Time
}

// Scanners and balances on pseudo-terminals, through the whole daemon: scans and prints that follow each other within
// 40 ms. A line takes 12.5 ms at the configured speed, so some orders are known and some are not. No sample is ever on two
// weighings, on a print that was written before it, passed to a later print than the one that came after it, or lost without
// an entry.
func TestScansAndPrintsThroughTwoPorts(t *testing.T) {
	balances, rounds, batches := 8, 25, 1
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		balances, rounds, batches = 40, 25, 10
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	d := newDaemon(t, daemonOptions{balances: balances, speed: 9600, scanners: "[{prefix: LOT-, item: sample}]"})
	d.start(t)
	time.Sleep(500 * time.Millisecond) // of silence: the first line is heard from its beginning
	all := make([][]attempt, balances)
	for batch := range batches {
		if batch > 0 {
			time.Sleep(time.Minute) // the entries of refused scans are limited by the minute
		}
		var working sync.WaitGroup
		for k := range balances {
			working.Go(func() {
				random := rand.New(rand.NewPCG(seed, uint64(k*batches+batch)))
				for range rounds {
					all[k] = append(all[k], d.attempt(t, k, len(all[k]), random))
				}
			})
		}
		working.Wait()
	}
	d.stop(t)
	j := reopened(t, d)
	tally := map[string]int{}
	for k := range balances {
		judgeAttempts(t, all[k], j[fmt.Sprintf("b-%d", k+1)], tally)
	}
	t.Logf("%d attempts: %v", balances*rounds*batches, tally)
	if tally["on the print"] == 0 || tally["on the next"] == 0 || tally["refused"] == 0 {
		t.Error("there was only one outcome: this tests nothing")
	}
}

// attempt writes a scan and a print, waits until both are dealt with, and prints once more.
func (d *daemon) attempt(t *testing.T, k, i int, random *rand.Rand) attempt {
	a := attempt{id: fmt.Sprintf("LOT-%d-%d", k, i), print: 2*i + 1000}
	balance := fmt.Sprintf("b-%d", k+1)
	scan := func() {
		a.scanBegan = time.Now()
		if _, err := d.scans[k].Write([]byte(a.id + "\r")); err != nil {
			t.Error(err)
		}
		a.scanWritten = time.Now()
	}
	print := func() {
		a.printBegan = time.Now()
		mustWrite(t, d, k, line(a.print))
		a.printsWritten = time.Now()
	}
	first, second := scan, print
	if random.IntN(2) == 0 {
		first, second = print, scan
	}
	first()
	time.Sleep(time.Duration(random.Int64N(int64(40 * time.Millisecond))))
	second()
	until(t, func() bool { return d.Balances()[k].Recorded == uint64(2*i+1) }, balance+": a print is not recorded")
	until(t, func() bool { return d.dealtWith(t, k, a.id) }, balance+": nothing was heard of "+a.id)
	time.Sleep(30 * time.Millisecond) // as long as a line takes, and more: what comes now is another print
	mustWrite(t, d, k, line(a.print+1))
	until(t, func() bool { return d.Balances()[k].Recorded == uint64(2*i+2) }, balance+": the second print is not recorded")
	return a
}

// dealtWith says whether a sample is held, was recorded, or was refused with a condition.
func (d *daemon) dealtWith(t *testing.T, k int, id string) bool {
	if last := d.Balances()[k].Last; last != nil && last.Sample == id {
		return true
	}
	view, err := d.ContextOf(fmt.Sprintf("b-%d", k+1))
	if err != nil {
		t.Error(err)
	}
	for _, item := range view.Items {
		if item.ID == id {
			return true
		}
	}
	for _, c := range d.Conditions() {
		if strings.Contains(c.Sentence, id+`"`) || strings.Contains(c.Sentence, id+`\r"`) {
			return true
		}
	}
	return false
}

// reopened gives the entries that the daemon left, by balance.
func reopened(t *testing.T, d *daemon) map[string][]record.Entry {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Dir: d.cfg.Journal.Folder, Site: d.cfg.Site})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	by := map[string][]record.Entry{}
	for after := uint64(0); ; {
		entries, err := j.Read(t.Context(), after, 1000)
		if err != nil {
			t.Fatal(err)
		}
		if len(entries) == 0 {
			return by
		}
		for _, e := range entries {
			by[e.Balance] = append(by[e.Balance], e)
		}
		after = entries[len(entries)-1].Seq
	}
}

func judgeAttempts(t *testing.T, all []attempt, entries []record.Entry, tally map[string]int) {
	t.Helper()
	on, refused := map[string][]string{}, ""
	for _, e := range entries {
		switch e.Kind {
		case record.KindWeighing:
			var w record.Weighing
			if err := json.Unmarshal(e.JSON, &w); err != nil {
				t.Fatal(err)
			}
			if w.Context.Sample != nil {
				on[w.Context.Sample.ID] = append(on[w.Context.Sample.ID], w.Value.Digits)
			}
		case record.KindContextChanged:
			var c record.ContextChange
			if err := json.Unmarshal(e.JSON, &c); err != nil {
				t.Fatal(err)
			}
			if c.Cause == "refused" {
				refused += string(c.Raw) + c.Why
			}
			if c.Times > 1 {
				t.Errorf("an entry stands for %d refusals: this test cannot see which", c.Times)
			}
		}
	}
	for _, a := range all {
		digits := func(n int) string { return fmt.Sprintf("%d.%03d", n/1000, n%1000) }
		where := on[a.id]
		switch {
		case len(where) > 1:
			t.Errorf("%s is on %v", a.id, where)
		case len(where) == 0 && !strings.Contains(refused, a.id+"\r") && !strings.Contains(refused, a.id+`"`):
			t.Errorf("%s is lost", a.id)
		case len(where) == 0:
			tally["refused"]++
		case where[0] == digits(a.print):
			tally["on the print"]++
			if a.printsWritten.Before(a.scanBegan) {
				t.Errorf("%s was written %s after the print that carries it", a.id, a.scanBegan.Sub(a.printsWritten))
			}
		case where[0] == digits(a.print+1):
			tally["on the next"]++
			if a.scanWritten.Before(a.printBegan) {
				t.Errorf("%s was written %s before a print that does not carry it, and is on the next", a.id, a.printBegan.Sub(a.scanWritten))
			}
		default:
			t.Errorf("%s is on %v, a print of another attempt", a.id, where)
		}
	}
}
