//go:build linux

package gateway_test

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// TestAByteThatIsChangedBelowTheDaemonStopsRecording: the background verifier finds it within its time, says where it is, appends
// an entry and stops; the live view goes on, and the next start refuses the journal.
func TestAByteThatIsChangedBelowTheDaemonStopsRecording(t *testing.T) {
	t.Parallel()
	d := newDaemon(t, daemonOptions{verify: "every: 1m, share: 50"})
	d.start(t)
	for n := range 60 {
		mustWrite(t, d, 0, line(1000+n))
	}
	db := filepath.Join(d.cfg.Journal.Folder, "journal.db")
	mark := []byte(`"seq":20,`)
	var content []byte
	until(t, func() bool {
		content, _ = os.ReadFile(db)
		return bytes.Contains(content, mark) && d.Journal().Verified != nil && d.Journal().Verified.At != nil
	}, "the entries do not come to journal.db, or are not verified")
	f, err := os.OpenFile(db, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt([]byte("#"), int64(bytes.Index(content, mark)+200)); err != nil {
		t.Fatal(err)
	}
	n := 2000
	until(t, func() bool { // as long as the WAL has the page too, that one counts
		n++
		mustWrite(t, d, 0, line(n))
		halted, err := d.VerifyOnce(context.WithoutCancel(t.Context()))
		if err != nil {
			t.Error(err)
		}
		return halted || d.holds("recording-stopped")
	}, "it is not found")
	until(t, func() bool { return d.holds("recording-stopped") }, "no condition says so")
	c := condition(d, health.RecordingStopped)
	for _, want := range []string{"entry 20: its bytes are not those that were recorded", " of journal.db, page ", "Nothing was changed"} {
		if !strings.Contains(c.Sentence, want) {
			t.Errorf("the sentence lacks %q: %s", want, c.Sentence)
		}
	}
	if !strings.Contains(c.Remedy, "restore the newest backup") || d.Journal().Verified.Damage == "" {
		t.Errorf("%s; %+v", c.Remedy, d.Journal().Verified)
	}
	before := d.Balances()[0]
	mustWrite(t, d, 0, line(5000))
	until(t, func() bool { return d.Balances()[0].Frames > before.Frames }, "the live view does not go on")
	limit, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 15*time.Second)
	defer cancel()
	if err := d.Stop(limit); err == nil || !strings.Contains(err.Error(), "entry 20") {
		t.Errorf("the stop: %v", err)
	}
	var said record.Damage
	err = journal.Scan(limit, d.cfg.Journal.Folder, 20, func(e record.Entry) error {
		if e.Kind == record.KindDamage {
			return json.Unmarshal(e.JSON, &said)
		}
		return nil
	})
	if err != nil || said.Entry != 20 || said.Verified != 19 || !strings.Contains(said.Where, "journal.db, page") {
		t.Errorf("%v: %+v", err, said)
	}
	if _, err := journal.Open(limit, journal.Options{Dir: d.cfg.Journal.Folder, Site: "seed-bank"}); err == nil ||
		!strings.Contains(err.Error(), "entry 20") {
		t.Errorf("the next start: %v", err)
	}
}

func condition(d *daemon, code string) health.Condition {
	for _, c := range d.Conditions() {
		if c.Code == code {
			return c
		}
	}
	return health.Condition{}
}
