//go:build linux

package gateway_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// oldJournal makes a journal with n entries that are two years old.
func oldJournal(t *testing.T, n int) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "journal")
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	stamp := record.Stamp{UTC: record.UTC(time.Now().AddDate(-2, 0, 0)), Zone: "+00:00", Clock: record.ClockChecked, Sources: 3}
	for i := 0; i < n; i += 100 {
		var bodies []record.Body
		for range 100 {
			bodies = append(bodies, &record.PortChange{Balance: record.About{ID: "b-1"}, Port: "/dev/ttyS0", Up: true, Times: 1, Stamp: stamp})
		}
		if _, err := j.Append(t.Context(), bodies...); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// A daemon is asked to seal: while a place for copies is not there nothing leaves journal.db and a condition says so, and then
// each segment is in every place, the journal verifies, and the entries that tell of it can be read.
func TestOldEntriesAreSealedAndCopiedWhileTheDaemonRuns(t *testing.T) {
	t.Parallel()
	dir, share := oldJournal(t, 2500), t.TempDir()
	d := newDaemon(t, daemonOptions{journal: dir, sinks: fmt.Sprintf("- {id: archive, kind: files, folder: %q, name: \"{id}.json\"}\n", share)})
	mount := filepath.Join(t.TempDir(), "mounted")
	r := &d.cfg.Journal.Retention
	r.After.Days, r.Entries, r.Folder, r.Sinks, r.UncheckedClock = 365, 1000, mount, []string{"archive"}, true
	d.start(t)
	ask := record.SealRequest{By: "p-07", Reason: "the disk is small"}
	looks := ask
	looks.DryRun = true
	var plan record.SealPlan
	until(t, func() (ready bool) {
		var err error
		plan, err = d.Seal(t.Context(), looks, record.Actor{ID: "p-07", By: record.ActorToken})
		return err == nil && plan.Last == 1000
	}, "the sink does not get past the old entries")
	seal := func() {
		t.Helper()
		until(t, func() bool {
			begun, err := d.Seal(t.Context(), ask, record.Actor{ID: "p-07", By: record.ActorToken})
			return err == nil && begun.Started
		}, "sealing does not begin")
	}
	seal()
	until(t, func() bool { return d.holds(health.SealingFailed) }, "nobody is told that the folder for copies is missing")
	if n := len(sealedEntries(t, dir)); n != 0 {
		t.Errorf("%d segments without their copies", n)
	}
	if err := os.Mkdir(mount, 0o750); err != nil {
		t.Fatal(err)
	}
	seal()
	if plan.Segments != 1 || len(plan.Copies) != 2 || plan.First != 1 {
		t.Errorf("the plan is %+v", plan)
	}
	until(t, func() bool { return len(sealedEntries(t, dir)) == 1 && !d.holds(health.SealingFailed) }, "no segment is sealed")
	d.stop(t)
	for _, e := range sealedEntries(t, dir) {
		if len(e.Copies) != 2 || e.By.ID != "p-07" || e.By.By != record.ActorToken || e.Reason != ask.Reason ||
			!strings.Contains(e.Copies[1].Where, "the sink archive") {
			t.Errorf("%+v", e)
		}
		for _, name := range []string{e.File, e.Description} {
			for _, place := range []string{mount, filepath.Join(share, "_segments")} {
				if _, err := os.Stat(filepath.Join(place, name)); err != nil {
					t.Error(err)
				}
			}
		}
	}
}

func sealedEntries(t *testing.T, dir string) (list []record.Sealed) {
	t.Helper()
	err := journal.Scan(context.Background(), dir, 2500, func(e record.Entry) error {
		if e.Kind == record.KindSealed {
			var s record.Sealed
			err := json.Unmarshal(e.JSON, &s)
			list = append(list, s)
			return err
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	return list
}
