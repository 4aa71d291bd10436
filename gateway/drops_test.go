//go:build linux

package gateway_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/dropped"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// drop puts a file into a folder as a lab system should, and waits for its answer in taken or refused.
func drop(t *testing.T, folder, name, text string) (a dropped.Answer) {
	t.Helper()
	part := filepath.Join(folder, name+".part")
	if err := os.WriteFile(part, []byte(text), 0o640); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(part, filepath.Join(folder, name)); err != nil {
		t.Fatal(err)
	}
	answer := strings.TrimSuffix(name, filepath.Ext(name)) + ".answer.json"
	for limit := time.Now().Add(20 * time.Second); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		for _, dir := range []string{"taken", "refused"} {
			if b, err := os.ReadFile(filepath.Join(folder, dir, answer)); err == nil {
				if err := json.Unmarshal(b, &a); err != nil {
					t.Fatalf("%v in %s", err, b)
				}
				if !strings.HasPrefix(a.KeptAs, dir) {
					t.Errorf("%s lies in %s and says %s", name, dir, a.KeptAs)
				}
				return a
			}
		}
	}
	t.Fatalf("%s is not answered", name)
	return a
}

// TestFilesOfALabSystem drops files before the whole daemon: what they ask for is held and recorded, by the policy for samples as
// everywhere, and the journal says by which file.
func TestFilesOfALabSystem(t *testing.T) {
	folder := t.TempDir()
	d := newDaemon(t, daemonOptions{balances: 2, more: fmt.Sprintf("samples: {unknown: refuse}\nrequests: {folder: %q, every: 200ms}\n", folder)})
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	stopped := false
	defer func() {
		if !stopped {
			_ = d.Stop(t.Context())
		}
	}()
	request := func(balance, sample, more string) string {
		return fmt.Sprintf(`{"balance": %q, "sample": {"id": %q}, "request": "r-1"%s}`, balance, sample, more)
	}
	if a := drop(t, folder, "unknown.json", request("b-1", "LOT-1", "")); a.Done != 0 || !strings.Contains(a.Requests[0].Why, "not announced") {
		t.Errorf("%+v", a)
	}
	if a := drop(t, folder, "all.samples.csv", "id,lot,box\r\nLOT-1,2026-07,B7\r\nLOT-2,2026-07,B8\r\n"); a.Samples == nil || a.Samples.New != 2 {
		t.Errorf("%+v", a)
	}
	a := drop(t, folder, "one.json", request("b-1", "LOT-1", ""))
	if a.Done != 1 || a.Requests[0].Request != "r-1" {
		t.Fatalf("%+v", a)
	}
	got := map[string]string{}
	for _, h := range a.Requests[0].Held {
		got[h.Name] = h.ID + " " + h.By
	}
	if got["sample"] != "LOT-1 sent" || got["lot"] != "2026-07 sent" || got["box"] != "B7 sent" {
		t.Errorf("held: %v", got)
	}
	// It is held at the other balance: asked, and taken once it is confirmed.
	if a := drop(t, folder, "two.json", request("b-2", "LOT-1", "")); !a.Requests[0].Ask || !strings.Contains(a.Requests[0].Why, "held at b-1") {
		t.Errorf("%+v", a)
	}
	if a := drop(t, folder, "three.json", request("b-2", "LOT-1", `, "confirm": true`)); a.Done != 1 {
		t.Errorf("%+v", a)
	}
	stopped = true
	if err := d.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	marks := map[string]bool{}
	err := journal.Scan(t.Context(), d.cfg.Journal.Folder, 0, func(e record.Entry) error {
		var c struct {
			Cause string
			By    *record.Actor
		}
		if e.Kind != record.KindContextChanged && e.Kind != record.KindSampleAnnounced {
			return nil
		}
		if err := json.Unmarshal(e.JSON, &c); err != nil {
			return err
		}
		if c.Cause == "expired" {
			return nil
		}
		if c.By == nil || c.By.By != record.ActorFile || c.By.ID != filepath.Base(folder) || !strings.Contains(c.By.Where, ".") || c.By.Request == "" {
			t.Errorf("who acted is not there: %s", e.JSON)
			return nil
		}
		marks[c.By.Request] = true
		return nil
	})
	if err != nil || len(marks) != 5 {
		t.Errorf("%d marks of 5 files, %v", len(marks), err)
	}
}
