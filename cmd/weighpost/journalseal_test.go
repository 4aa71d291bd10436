package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/gateway/roster"
)

// sealable is a configuration of a journal with 2,500 entries that are two years old, and its folder.
func sealable(t *testing.T) (config, dir, copies string) {
	t.Helper()
	base := t.TempDir()
	dir, copies = filepath.Join(base, "journal"), filepath.Join(base, "copies")
	ctx := context.Background()
	j, err := journal.Open(ctx, journal.Options{Dir: dir, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	old := record.Stamp{UTC: record.UTC(time.Now().AddDate(-2, 0, 0)), Zone: "+00:00", Clock: record.ClockChecked, Sources: 3}
	fresh := old
	fresh.UTC = record.UTC(time.Now())
	for i := 0; i < 2500; i += 100 {
		var bodies []record.Body
		for n := range 100 {
			p := &record.PortChange{Balance: record.About{ID: "b-1"}, Port: "/dev/ttyS0", Up: true, Times: n + 1, Stamp: old}
			bodies = append(bodies, p)
		}
		if _, err := j.Append(ctx, bodies...); err != nil {
			t.Fatal(err)
		}
	}
	// A stamp that can be trusted says what the time is, where this computer's clock is unchecked.
	if _, err := j.Append(ctx, &record.Lifecycle{Stamp: fresh}); err != nil {
		t.Fatal(err)
	}
	if err := j.SetCursor(roster.Place, 2400); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	config = filepath.Join(base, "weighpost.yaml")
	text := fmt.Sprintf("site: north-lab\njournal:\n  folder: journal\n  retention: {after: 365d, entries: 1000, folder: %q}\n", copies)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return config, dir, copies
}

func TestOldEntriesAreSealedFromTheCommandLine(t *testing.T) {
	t.Parallel()
	config, dir, copies := sealable(t)
	says := func(want int, words []string, args ...string) {
		t.Helper()
		status, out, errs := call(args...)
		if status != want {
			t.Errorf("%v: status %d, want %d: %s%s", args, status, want, out, errs)
		}
		for _, word := range words {
			if !strings.Contains(out+errs, word) {
				t.Errorf("%v does not say %q:\n%s%s", args, word, out, errs)
			}
		}
	}
	says(0, []string{"entries   1 to 1000, 1000 in 1 segments", "copy      the folder " + copies, "no more   501 entries are ready, fewer than a segment of 1000; the last 1000 entries are always kept"},
		"journal", "seal", "-c", config, "--dry-run")
	says(1, []string{"could not be copied to the folder " + copies, "mount the disk", "nothing was taken out of journal.db"}, "journal", "seal", "-c", config)
	says(0, []string{"0", "sealed"}, "journal", "verify", dir, "--json")
	if err := os.Mkdir(copies, 0o750); err != nil {
		t.Fatal(err)
	}
	tomorrow := time.Now().Add(48 * time.Hour).Format(time.DateOnly)
	says(1, []string{"cannot be sealed yet: nothing that was recorded within 90 days may be (keep_at_least)"}, "journal", "seal", "-c", config, "--before", tomorrow)
	says(1, []string{"is no day and no instant"}, "journal", "seal", "-c", config, "--before", "yesterday")
	says(0, []string{"sealed entries 1 to 1000: segments/north-lab-"}, "journal", "seal", "-c", config, "--reason", "the disk is small")
	says(0, []string{"entries   none: "}, "journal", "seal", "-c", config)
	says(0, []string{"segments        1, with 1000 entries that are only there; 0 files missing"}, "journal", "verify", dir)
	says(0, []string{"sealed"}, "journal", "list", dir, "--kind", "sealed")
	says(0, []string{`"seq":6,`}, "journal", "list", dir, "--after", "5", "--limit", "1", "--json")
	lost, err := filepath.Glob(filepath.Join(dir, "segments", "*-000000000001-*.gz"))
	if err != nil || len(lost) != 1 {
		t.Fatal(lost, err)
	}
	if err := os.Remove(lost[0]); err != nil {
		t.Fatal(err)
	}
	says(1, []string{lost[0], "is missing. Copy it back from the folder " + copies}, "journal", "verify", dir)
	says(1, []string{"1000 entries could not be read"}, "journal", "list", dir)
	says(0, []string{"0 files missing"}, "journal", "verify", dir, "--segments", copies)
}

// The commands of the page are run as they stand there, by programs that know nothing of weighpost.
func TestASegmentIsReadAsThePageSays(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "sh", "zcat", "sha256sum", "grep", "head", "wc")
	config, dir, copies := sealable(t)
	if err := os.Mkdir(copies, 0o750); err != nil {
		t.Fatal(err)
	}
	if status, out, errs := call("journal", "seal", "-c", config); status != 0 {
		t.Fatal(out, errs)
	}
	files, err := filepath.Glob(filepath.Join(copies, "*.ndjson.gz"))
	if err != nil || len(files) != 1 {
		t.Fatal(files, err)
	}
	page, err := os.ReadFile("../../gateway/help/pages/retention.md")
	if err != nil {
		t.Fatal(err)
	}
	const example = "north-lab-7qx3a-000000000001-000000050000"
	var said []string
	for _, l := range strings.Split(string(page), "\n") {
		if l = strings.TrimSpace(l); !strings.Contains(l, example) {
			continue
		}
		cmd := exec.Command("sh", "-c", strings.ReplaceAll(l, example, strings.TrimSuffix(filepath.Base(files[0]), ".ndjson.gz")))
		cmd.Dir = copies
		out, err := cmd.Output()
		if err != nil {
			t.Errorf("%s: %v", l, err)
		}
		said = append(said, strings.TrimSpace(string(out)))
	}
	_, first, _ := call("journal", "list", dir, "--limit", "1", "--json")
	if len(said) != 4 || len(said[0]) < 64 || !strings.Contains(said[1], said[0][:64]) || said[2] != "1000" || said[3] != strings.TrimSpace(first) {
		t.Errorf("%q", said)
	}
}
