package files

import (
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/folder/foldertest"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

func TestClosedFiles(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Format, c.Manifest = CSV, true })
	foldertest.Closed(t, open(t, s), s.dir)
}

func TestEachEntryHasAManifest(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Manifest = true })
	entries := sinktest.Weighings(20, 1)
	deliver(t, open(t, s), entries)
	deliver(t, open(t, s), entries)
	foldertest.Sums(t, s.dir)
	if names := foldertest.Files(t, s.dir); len(names) != 40 {
		t.Errorf("%d files are there", len(names))
	}
}

// TestAnyFormatIsAFileForEachEntry: with {id} in the name, whatever the format.
func TestAnyFormatIsAFileForEachEntry(t *testing.T) {
	for _, f := range []string{NDJSON, CSV, format.NameJSON} {
		s := newShelf(t, func(c *Config) { c.Format, c.Name = f, "{id}."+f })
		deliver(t, open(t, s), sinktest.Weighings(5, 1))
		if names := foldertest.Files(t, s.dir); len(names) != 5 {
			t.Errorf("%s: %v", f, names)
		}
	}
}

// TestANameForClosedFilesTakesNoEntries, and the other way round: entries are kept back rather than put anywhere.
func TestANameForClosedFilesTakesNoEntries(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Format, c.Name = CSV, "{site}/{batch}.csv" })
	n, err := open(t, s).Deliver(t.Context(), sinktest.Weighings(1, 1))
	want[sinks.Unusable](t, err, "set closed")
	if n != 0 {
		t.Errorf("accepted %d", n)
	}
	s = newShelf(t, func(c *Config) { c.Name = "{id}.json" })
	_, err = open(t, s).Collect(t.Context(), foldertest.Batch("2026-11-29", []record.Entry{{Seq: 1}}))
	want[sinks.Unusable](t, err, "has no {batch} in it")
}
