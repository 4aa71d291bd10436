// Package foldertest holds what every sink that keeps files has to show, and the servers that it shows it with. It judges by the
// files on the disk below the server, never by what a sink says. Only tests import it.
package foldertest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// Batch is a closed batch of these entries.
func Batch(name string, entries []record.Entry) sinks.Batch {
	return sinks.Batch{Name: name, First: entries[0].Seq, Last: entries[len(entries)-1].Seq, Entries: func(yield func(record.Entry, error) bool) {
		for _, e := range entries {
			if !yield(e, nil) {
				return
			}
		}
	}}
}

// Files lists everything below a folder, with slashes, but what is in it from before.
func Files(t testing.TB, dir string) []string {
	t.Helper()
	var names []string
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			name, _ := filepath.Rel(dir, p)
			names = append(names, filepath.ToSlash(name))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// Sums has sha256sum (GNU coreutils) verify every manifest below a folder, and wants one beside each other file.
func Sums(t testing.TB, dir string) {
	t.Helper()
	needs.Programs(t, "sha256sum")
	names := Files(t, dir)
	for _, name := range names {
		base, isSum := strings.CutSuffix(name, ".sha256")
		if !isSum {
			if !slices.Contains(names, name+".sha256") {
				t.Errorf("%s has no manifest", name)
			}
			continue
		}
		cmd := exec.Command("sha256sum", "--check", "--strict", filepath.Base(name))
		cmd.Dir = filepath.Join(dir, filepath.Dir(name))
		if out, err := cmd.CombinedOutput(); err != nil || string(out) != filepath.Base(base)+": OK\n" {
			t.Errorf("%s: %v: %s", name, err, out)
		}
	}
	if len(names) == 0 {
		t.Error("there is no file to verify")
	}
}

// Closed holds a sink with the format csv, a manifest and the site's own names to what sinks.Collector promises. dir is the folder.
func Closed(t *testing.T, s sinks.Collector, dir string) {
	t.Helper()
	entries := sinktest.Weighings(700, 9)
	entries[5].Kind = record.KindUnread // which csv cannot hold
	collect := func(name string, entries []record.Entry) []sinks.LeftOut {
		t.Helper()
		left, err := s.Collect(t.Context(), Batch(name, entries))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return left
	}
	for range 2 { // it comes again after a crash, and is then there already
		left := collect("2026-11-29", entries[:600])
		if len(left) != 1 || left[0].Entry.ID != entries[5].ID || left[0].Err == nil {
			t.Errorf("left out: %v", left)
		}
	}
	collect("2026-11-30T10", entries[600:])
	body, err := os.ReadFile(filepath.Join(dir, "2026-11-29.csv"))
	if err != nil || bytes.Count(body, []byte("/1\r\n")) != 599 {
		t.Errorf("%d rows are there, and 599 were to be: %v", bytes.Count(body, []byte("/1\r\n")), err)
	}
	Sums(t, dir)
	if got, want := Files(t, dir), []string{"2026-11-29.csv", "2026-11-29.csv.sha256", "2026-11-30T10.csv", "2026-11-30T10.csv.sha256"}; !slices.Equal(got, want) {
		t.Errorf("there are %v, and should be %v", got, want)
	}
	notReplaced(t, s, entries, filepath.Join(dir, "2026-11-29.csv"), body)
	nothingHalf(t, s, entries, dir)
}

// notReplaced wants other entries under a name that is taken to be a fault of the sink.
func notReplaced(t *testing.T, s sinks.Collector, entries []record.Entry, file string, body []byte) {
	t.Helper()
	_, err := s.Collect(t.Context(), Batch("2026-11-29", entries[:10]))
	var unusable sinks.Unusable
	if !errors.As(err, &unusable) || !strings.Contains(err.Error(), "move it away") {
		t.Errorf("other entries under a name that is taken: %v", err)
	}
	if got, _ := os.ReadFile(file); !bytes.Equal(got, body) {
		t.Error("a closed file was replaced")
	}
}

// nothingHalf wants a batch that cannot be read, or whose time is over, to leave nothing.
func nothingHalf(t *testing.T, s sinks.Collector, entries []record.Entry, dir string) {
	t.Helper()
	before := Files(t, dir)
	torn := Batch("2026-12-01", entries)
	torn.Entries = func(yield func(record.Entry, error) bool) {
		for _, e := range entries[:300] {
			if !yield(e, nil) {
				return
			}
		}
		yield(record.Entry{}, errors.New("the journal cannot be read"))
	}
	if _, err := s.Collect(t.Context(), torn); err == nil || !strings.Contains(err.Error(), "the journal cannot be read") {
		t.Errorf("a batch that cannot be read: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	over := Batch("2026-12-02", entries)
	over.Entries = func(yield func(record.Entry, error) bool) {
		for i, e := range entries {
			if i == 500 {
				cancel()
			}
			if !yield(e, nil) {
				return
			}
		}
	}
	if _, err := s.Collect(ctx, over); err == nil {
		t.Error("a batch was taken although its time was over")
	}
	if left, err := s.Collect(t.Context(), Batch("2026-12-03", []record.Entry{{Seq: 1, ID: "a", Kind: record.KindUnread}})); err != nil || len(left) != 1 {
		t.Errorf("a batch of nothing that can be held: %v, %v", left, err)
	}
	// What the two left over goes with the next batch, at the latest.
	if _, err := s.Collect(t.Context(), Batch("2026-11-30T10", entries[600:])); err != nil {
		t.Error(err)
	}
	if after := Files(t, dir); !slices.Equal(after, before) {
		t.Errorf("there are %s, and should be %s", fmt.Sprint(after), fmt.Sprint(before))
	}
}
