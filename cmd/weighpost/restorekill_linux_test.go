package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/backup"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// A restore is killed at random moments, into an empty folder and over another journal. The folder is as it was, or holds the
// whole restored journal; and the same restore ends what the last began.
func TestARestoreThatIsKilledLeavesTheFolderAsItWasOrWhole(t *testing.T) {
	t.Parallel()
	rounds, seed, dice := needs.Kills(t, 5)
	old, at := newOldComputer(t, false), t.TempDir()
	program := program(t, at)
	started := time.Now()
	warm := exec.CommandContext(t.Context(), program, "backup", "restore", old.file, "--into", filepath.Join(at, "warm"))
	if out, err := warm.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	takes := time.Since(started)
	as, whole, cut := 0, 0, 0
	for round := range rounds {
		into := filepath.Join(at, fmt.Sprintf("journal-%d", round))
		var before []string
		if round%2 == 1 {
			before = someJournal(t, into)
		}
		args := []string{"backup", "restore", old.file, "--into", into, "--replace", "--reason", "a drill"}
		restore := exec.CommandContext(t.Context(), program, args...)
		if err := restore.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(dice.Int64N(int64(takes) * 5 / 4)))
		_ = restore.Process.Kill()
		_ = restore.Wait()
		switch ids := idsOf(t, into); {
		case ids == nil && before == nil:
			cut++
			_, kept := os.Stat(filepath.Join(into, backup.KeptFolder))
			_, staged := os.Stat(filepath.Join(into, "new", "journal.db")) // whole, and moved to its place by the next start
			if kept == nil && staged != nil {
				t.Errorf("round %d: no journal is there, and kept files are", round)
			}
		case len(ids) == int(old.entries)+2:
			whole++
			if !certificateIsBack(into) {
				t.Errorf("round %d: the journal is whole, and the file of a certificate is not", round)
			}
		case slices.Equal(ids, before):
			as++
		default:
			t.Errorf("round %d: the folder holds %d entries", round, len(ids))
		}
		if out, why, status := commanded(args...); status != 0 {
			t.Fatalf("round %d: the restore does not succeed any more: %s%s", round, out, why)
		}
		if len(idsOf(t, into)) != int(old.entries)+2 {
			t.Errorf("round %d: after it was done again, the folder holds something else", round)
		}
		if !certificateIsBack(into) {
			t.Errorf("round %d: after it was done again, the file of a certificate is not back", round)
		}
		if before != nil && !keptSomewhere(t, into, before) {
			t.Errorf("round %d: the journal of before is nowhere", round)
		}
	}
	t.Logf("after the kill the folder was as before %d times, whole %d times, and nothing opened %d times", as, whole, cut)
	if as+cut == 0 || whole == 0 {
		t.Logf("the kills met one side only: seed %d", seed)
	}
}

func certificateIsBack(dir string) bool {
	b, err := os.ReadFile(filepath.Join(dir, backup.KeptFolder, aCertificateSum))
	return err == nil && string(b) == aCertificate
}

// someJournal makes another journal in a folder.
func someJournal(t *testing.T, dir string) []string {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "seed-bank"})
	if err == nil {
		_, err = j.Append(t.Context(), &record.Weighing{Balance: record.Balance{ID: "b-9"}, Value: record.Value{Digits: "1.5", Unit: "g"}})
		err = errors.Join(err, j.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	return idsOf(t, dir)
}

// idsOf opens the journal of a folder, as the next start would, verifies it and gives its ids: nil where there is none to open.
func idsOf(t *testing.T, dir string) (ids []string) {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "seed-bank", Existing: true})
	if err != nil {
		if why := err.Error(); !strings.Contains(why, "there is no journal in") && !strings.Contains(why, "was being restored") {
			t.Errorf("%s does not open: %v", dir, err)
		}
		return nil
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if r, err := journal.Verify(t.Context(), dir, "", nil); err != nil || !r.Verified {
		t.Errorf("%s does not verify: %v\n%s", dir, err, r.Text())
	}
	err = journal.Scan(context.WithoutCancel(t.Context()), dir, 0, func(e record.Entry) error { ids = append(ids, e.ID); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return ids
}

// keptSomewhere says whether a folder beside one holds these entries.
func keptSomewhere(t *testing.T, dir string, ids []string) bool {
	t.Helper()
	kept, err := filepath.Glob(dir + ".replaced-*")
	if err != nil {
		t.Fatal(err)
	}
	return slices.ContainsFunc(kept, func(k string) bool { return slices.Equal(idsOf(t, k), ids) })
}
