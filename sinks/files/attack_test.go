package files

import (
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/folder"
	"weighpost/sinks/folder/foldertest"
	"weighpost/sinks/sinktest"
)

// TestABatchThatIsThereAlreadyKeepsItsTime: to read a long file once more can take longer than one step may.
func TestABatchThatIsThereAlreadyKeepsItsTime(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Format = NDJSON })
	sink, b := open(t, s), foldertest.Batch("2026-11-29", sinktest.Weighings(2000, 1))
	for range 2 {
		asked, alive := 0, 0
		entries := b.Entries
		once := b
		once.Alive = func() { alive++ }
		once.Entries = func(yield func(record.Entry, error) bool) {
			for e, err := range entries {
				if asked++; !yield(e, err) {
					return
				}
			}
			alive = 0 // what counts is afterwards
		}
		if left, err := sink.Collect(t.Context(), once); err != nil || len(left) > 0 {
			t.Fatal(left, err)
		}
		if b.Alive = once.Alive; asked != 2000 || alive == 0 {
			t.Errorf("%d entries were read, and then it said %d times that it gets on", asked, alive)
		}
	}
}

// TestWhatCannotBeHeldIsBounded: each entry that is left out is held in memory.
func TestWhatCannotBeHeldIsBounded(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Format = CSV })
	b, given := foldertest.Batch("2026-11-29", sinktest.Weighings(1, 1)), 0
	b.Entries = func(yield func(record.Entry, error) bool) {
		for given < 1_000_000 {
			if given++; !yield(record.Entry{Seq: uint64(given), Kind: record.KindUnread, JSON: []byte("{}")}, nil) {
				return
			}
		}
	}
	_, err := open(t, s).Collect(t.Context(), b)
	want[sinks.Unusable](t, err, "cannot hold 10000 entries")
	if given > 10_001 || len(foldertest.Files(t, s.dir)) > 0 {
		t.Errorf("%d entries were taken, and there is %v", given, foldertest.Files(t, s.dir))
	}
}

// TestSitesThatShareAFolder do not give each other's half-written files a name.
func TestSitesThatShareAFolder(t *testing.T) {
	if a, b := folder.TempName("north", "share"), folder.TempName("south", "share"); a == b || !strings.HasPrefix(a, ".weighpost-") || !strings.HasSuffix(a, ".part") {
		t.Errorf("both write to %s, %s", a, b)
	}
}

// TestAPreviewOfAClosedFile shows the file and not one that there never is.
func TestAPreviewOfAClosedFile(t *testing.T) {
	e := sinktest.Weighings(1, 1)[0]
	for form, begins := range map[string]string{JSON: "[", NDJSON: "{", "parquet": "PAR1"} {
		c := Default()
		c.Folder, c.Format = "/srv/seeds", form
		shown, err := c.PreviewClosed("share", sinks.Env{Site: "north-seed-bank"}, e)
		if err != nil || shown.To != "/srv/seeds/{batch}."+form || !strings.HasPrefix(string(shown.Body), begins) {
			t.Errorf("%s: %s, %.40q, %v", form, shown.To, shown.Body, err)
		}
	}
	c := Default()
	c.Folder = "/srv/seeds"
	if shown, err := c.Preview("share", sinks.Env{}, e); err != nil || strings.Contains(shown.To, "{batch}") {
		t.Errorf("without closed: %s, %v", shown.To, err)
	}
}
