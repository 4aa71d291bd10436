//go:build linux

package gateway_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// TestASinkWithAnotherFolder lives through four lives of a daemon with one journal: the folder of its sink changes without
// a word, with cursor: keep, and with cursor: start, which a further life does not begin again.
func TestASinkWithAnotherFolder(t *testing.T) {
	journal, old, later, last := t.TempDir(), t.TempDir(), t.TempDir(), t.TempDir()
	printed := 0
	live := func(folder, cursor string, judge func(d *daemon)) *daemon {
		t.Helper()
		sink := fmt.Sprintf("- {id: share, kind: files, folder: %q, name: \"{id}.json\"%s}\n", folder, cursor)
		d := newDaemon(t, daemonOptions{journal: journal, sinks: sink})
		d.start(t)
		mustWrite(t, d, 0, line(1000+printed))
		printed++
		until(t, func() bool { return d.Balances()[0].Recorded == 1 }, "the weighing is not recorded")
		judge(d)
		d.stop(t)
		return d
	}
	files := func(folder string) int {
		list, err := filepath.Glob(filepath.Join(folder, "*.json"))
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	holds := func(folder string, n int) func(d *daemon) {
		return func(*daemon) {
			t.Helper()
			until(t, func() bool { return files(folder) == n }, fmt.Sprintf("there are not %d files", n))
		}
	}
	live(old, "", holds(old, 1))
	live(later, "", func(d *daemon) { // recording goes on; the sink says what it needs
		until(t, func() bool { return d.holds("sink-stopped") }, "the sink is not stopped")
		for _, c := range d.Conditions() {
			if c.Code == "sink-stopped" && !(strings.Contains(c.Sentence, old) && strings.Contains(c.Sentence, later) && strings.Contains(c.Remedy, "cursor: keep")) {
				t.Errorf("%+v", c)
			}
		}
	})
	if files(later) != 0 {
		t.Error("something was delivered to a folder that was refused")
	}
	live(later, ", cursor: keep", holds(later, 2)) // the one that waited, and one more
	live(last, ", cursor: start", holds(last, 4))
	list, err := filepath.Glob(filepath.Join(last, "*.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range list {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	d := live(last, ", cursor: start", holds(last, 1))
	var told []string
	for _, e := range entries(t, d) {
		var m record.SinkMoved
		if e.Kind == record.KindSinkMoved {
			if err := json.Unmarshal(e.JSON, &m); err != nil {
				t.Fatal(err)
			}
			told = append(told, m.Cursor+" "+m.To)
		}
	}
	if want := []string{"keep files " + later, "start files " + last}; fmt.Sprint(told) != fmt.Sprint(want) {
		t.Errorf("the journal tells %q, want %q", told, want)
	}
}
