package deliver_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"weighpost/gateway/deliver"
	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/files"
)

// reopen closes the journal and opens it again, as a restart of weighpost does.
func (l *lab) reopen() {
	l.t.Helper()
	l.stop()
	if err := l.j.Close(); err != nil {
		l.t.Fatal(err)
	}
	l.j = journaltest.Open(l.t, journal.Options{Dir: l.dir, Site: "north-seed-bank"})
	l.run()
}

func somebody(why string) *record.SinkPaused {
	return &record.SinkPaused{Sink: "far-side", Reason: why, By: record.Actor{ID: "ada", By: record.ActorHost}}
}

// TestHeldPausedAndClosedInARealJournal: a folder gets batches of ten of what is released; a pause and restarts lie in between.
func TestHeldPausedAndClosedInARealJournal(t *testing.T) {
	folder := t.TempDir()
	l := newLabWith(t, func() sinks.Sink {
		c := files.Default()
		c.Folder, c.Name, c.Format = folder, "{batch}.ndjson", "ndjson"
		s, err := c.Open("far-side", sinks.Env{Site: "north-seed-bank"})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}, func(c *deliver.Config) { c.Hold, c.Closed = deliver.Released, "10" })
	ctx := t.Context()
	all := l.weigh(40, 5)
	let := func(some ...record.Entry) {
		t.Helper()
		body := &record.HeldReleased{By: record.Actor{ID: "bea", By: record.ActorHost}}
		for _, e := range some {
			body.Entries = append(body.Entries, record.EntryRef{Seq: e.Seq, ID: e.ID})
		}
		if _, err := l.j.Append(ctx, body); err != nil {
			t.Fatal(err)
		}
	}
	let(all[3:8]...)
	l.until("five are counted", func() bool { return l.r.Status().Waiting == 5 })
	if err := l.r.Pause(ctx, somebody("stock-taking")); err != nil {
		t.Fatal(err)
	}
	let(all[5:15]...) // three of them for the second time
	l.reopen()
	l.until("it is still paused", func() bool { s := l.r.Status(); return s.State == deliver.Paused && s.Paused.Why == "stock-taking" })
	if found, _ := filepath.Glob(filepath.Join(folder, "*.ndjson")); len(found) != 0 {
		t.Fatalf("while paused: %v", found)
	}
	if err := l.r.Continue(ctx, somebody("")); err != nil {
		t.Fatal(err)
	}
	// The pause is entry 42, so that the releases are 41 and 43. A release is not split.
	name := filepath.Join(folder, "000041-000043.ndjson")
	l.until("the batch is there", func() bool { _, err := os.Stat(name); return err == nil })
	l.reopen()
	l.caughtUp()
	got, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	want := []byte{}
	for _, e := range all[3:15] {
		want = append(append(want, e.JSON...), '\n')
	}
	if !bytes.Equal(got, want) {
		t.Errorf("the batch holds %d bytes, want %d:\n%s", len(got), len(want), got)
	}
	l.stop()
}
