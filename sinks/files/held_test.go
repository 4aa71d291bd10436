package files

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

func witnessOf(t *testing.T, s *shelf) *Sink {
	t.Helper()
	w, err := New(s.cfg, "shelf", sinks.Env{Site: sinktest.Weighings(1, 1)[0].ID[:strings.Index(sinktest.Weighings(1, 1)[0].ID, "/")]})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.Close() })
	return w
}

// What was delivered after a sequence is found by what the entries say of themselves, in each format, and nothing else is.
func TestAFolderTellsWhatItHolds(t *testing.T) {
	for _, form := range []string{JSON, NDJSON, CSV, "semicolons"} {
		t.Run(form, func(t *testing.T) {
			s := newShelf(t, func(c *Config) {
				if c.Format = form; form == "semicolons" {
					c.Format, c.CSV.Separator, c.CSV.Decimal, c.CSV.Columns = CSV, "semicolon", "comma", []string{"digits", "seq", "id", "unit"}
				}
				c.Spreadsheet = form == CSV
			})
			entries := sinktest.Weighings(60, 7)
			sink := witnessOf(t, s)
			deliver(t, sink, entries)
			for _, note := range []string{"/aaaaa\n40\nroot\n\nsignature\n", "/aaaaa\n55\nroot\n\nsignature\n", "/bbbbb\n3\nroot\n\nsignature\n"} {
				if err := sink.Checkpoint(t.Context(), []byte("weighpost/"+sink.filing.Site+note)); err != nil {
					t.Fatal(err)
				}
			}
			// What is not a delivery: a backup beside them, something of a person, a copy of another site's.
			s.put(filepath.Join(s.dir, "_backups", "x."+form), string(entries[59].JSON))
			s.put(filepath.Join(s.dir, "notes", "readme."+form), notOurs)
			after := entries[39].Seq
			held, err := witnessOf(t, s).Held(t.Context(), after)
			if err != nil {
				t.Fatal(err)
			}
			var want, got []string
			for _, e := range entries[40:] {
				want = append(want, fmt.Sprint(e.Seq, e.ID))
			}
			for _, e := range held.Entries {
				got = append(got, fmt.Sprint(e.Seq, e.ID))
			}
			slices.Sort(want)
			slices.Sort(got)
			if !slices.Equal(got, want) || held.Partial != "" {
				t.Errorf("found %d entries (%s), want %d", len(got), held.Partial, len(want))
			}
			if len(held.Checkpoints) != 2 || !strings.Contains(string(held.Checkpoints[0]), "\n55\n") || !strings.Contains(string(held.Checkpoints[1]), "/bbbbb\n3\n") {
				t.Errorf("found the checkpoints %q", held.Checkpoints)
			}
			deliver(t, sink, entries) // looking changed nothing
		})
	}
}

func TestAFolderThatCannotBeSearchedSaysSo(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	if err := os.Remove(s.dir); err != nil {
		t.Fatal(err)
	}
	if _, err := witnessOf(t, s).Held(t.Context(), 0); err == nil || !strings.Contains(err.Error(), "is not there") {
		t.Errorf("a folder that is away: %v", err)
	}
}

// A folder of hostile files costs no more than they are long, and never an entry.
func TestHostileFilesAreNoEntries(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Format = CSV })
	s.put(filepath.Join(s.dir, "2026-01-01.csv"), `"`+strings.Repeat("x", maxRow+1))
	s.put(filepath.Join(s.dir, "2026-01-02.csv"), "north-lab/aaaaa/b-12/000001,18446744073709551615\r\nnorth-lab/aaaaa/b-12/000001\r\n,,\r\n")
	if err := os.Symlink("/", filepath.Join(s.dir, "root")); err != nil {
		t.Fatal(err)
	}
	held, err := witnessOf(t, s).Held(t.Context(), 0)
	if err != nil || len(held.Entries) != 0 || !strings.Contains(held.Partial, "2026-01-01.csv was not read to its end") {
		t.Errorf("found %v, %v", held, err)
	}
}
