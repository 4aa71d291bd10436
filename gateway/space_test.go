//go:build linux

package gateway_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// TestAnotherProgramFillsTheDisk: recording stops with an entry that says why before the disk is full, the live view goes on,
// and with space again recording resumes with what waited.
func TestAnotherProgramFillsTheDisk(t *testing.T) {
	dir := needs.SmallDisk(t, "size=8m")
	d := newDaemon(t, daemonOptions{journal: filepath.Join(dir, "journal"), space: "warn: 3 MiB, low: 2 MiB, reserve: 1 MiB"})
	d.start(t)
	for n := range 20 {
		mustWrite(t, d, 0, line(1000+n))
	}
	until(t, func() bool { return d.Balances()[0].Recorded == 20 && d.Journal().Space != nil }, "nothing is recorded")
	if s := d.Journal().Space; s.Reserve != 1<<20 || s.Free < 4<<20 || s.Free > 8<<20 || s.Journal == 0 || s.Days != nil {
		t.Errorf("%+v", *s)
	}
	filler := filepath.Join(dir, "filler")
	if err := os.WriteFile(filler, make([]byte, 8<<20), 0o600); err == nil {
		t.Fatal("the disk is not filled")
	}
	n := 2000
	until(t, func() bool { n++; mustWrite(t, d, 0, line(n)); return d.holds("recording-stopped") }, "a full disk is not said")
	before := d.Balances()[0]
	for range 50 {
		n++
		mustWrite(t, d, 0, line(n))
	}
	until(t, func() bool { return d.Balances()[0].Frames >= before.Frames+50 }, "the live view does not go on while the disk is full")
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { b := d.Balances()[0]; return b.Recorded == b.Frames && !d.holds("recording-stopped") }, "recording does not resume")
	d.stop(t)
	said := map[record.Kind]record.RecordingState{}
	err := journal.Scan(t.Context(), d.cfg.Journal.Folder, 0, func(e record.Entry) error {
		if e.Kind != record.KindRecordingStopped && e.Kind != record.KindRecordingResumed {
			return nil
		}
		var s record.RecordingState
		if err := json.Unmarshal(e.JSON, &s); err != nil {
			return err
		}
		said[e.Kind] = s
		return nil
	})
	stopped, resumed := said[record.KindRecordingStopped], said[record.KindRecordingResumed]
	if err != nil || stopped.Free == nil || *stopped.Free >= 1<<20 || !stopped.Stopped || resumed.Since == nil || resumed.Cause == "" ||
		resumed.Since.Time().After(resumed.Stamp.UTC.Time()) {
		t.Errorf("%v: %+v", err, said)
	}
}

// TestTheDiskOfTheJournalIsSaidToBeLow: by what is free, and by when it would be full.
func TestTheDiskOfTheJournalIsSaidToBeLow(t *testing.T) {
	d := newDaemon(t, daemonOptions{space: "warn: 2 GiB, warn_time: 720h, low: 1 GiB, reserve: 16 MiB"})
	d.start(t)
	defer d.stop(t)
	growth := &journal.Growth{}
	begin := time.Now().Add(-100 * 24 * time.Hour)
	at := begin
	look := func(free uint64) *health.Condition {
		d.LookAtSpace(growth, at, func(string) (uint64, error) { return free, nil })
		for _, c := range d.Conditions() {
			if c.Code == health.SpaceLow {
				return &c
			}
		}
		return nil
	}
	if c := look(10 << 30); c != nil {
		t.Errorf("with 10 GiB: %+v", c)
	}
	if c := look(1500 << 20); c == nil || c.Severity != health.Warning || !strings.Contains(c.Sentence, "1.46 GiB are free") ||
		!strings.Contains(c.Sentence, "not known yet") || !strings.Contains(c.Remedy, "less than 16 MiB left recording stops") {
		t.Errorf("with 1.5 GiB: %+v", c)
	}
	if c := look(900 << 20); c == nil || c.Severity != health.Error {
		t.Errorf("with 900 MiB: %+v", c)
	}
	*growth = journal.Growth{} // what follows happened before: 500 MiB a day
	for day := range uint64(8) {
		at = begin.Add(time.Duration(day)*24*time.Hour + time.Minute)
		growth.Note(begin.Add(time.Duration(day)*24*time.Hour), day*500<<20)
	}
	if c := look(10 << 30); c == nil || c.Severity != health.Warning || !strings.Contains(c.Sentence, "lasts for about 20 days") {
		t.Errorf("with 10 GiB at 500 MiB a day: %+v", c)
	}
	if c := look(100 << 30); c != nil {
		t.Errorf("with 100 GiB at 500 MiB a day: %+v", c)
	}
}
