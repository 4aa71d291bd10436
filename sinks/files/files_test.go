package files

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

func open(t *testing.T, s *shelf) *Sink {
	t.Helper()
	sink, err := New(s.cfg, "shelf", sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := sink.Close(); err != nil {
			t.Error(err)
		}
	})
	return sink
}

func deliver(t *testing.T, sink *Sink, entries []record.Entry) {
	t.Helper()
	if n, err := sink.Deliver(t.Context(), entries); n != len(entries) || err != nil {
		t.Fatalf("accepted %d of %d: %v", n, len(entries), err)
	}
}

// want says what kind of error a delivery has to end with, and words in it.
func want[E error](t *testing.T, err error, words string) {
	t.Helper()
	var kind E
	if !errors.As(err, &kind) || !strings.Contains(err.Error(), words) {
		t.Errorf("got %T (%v), want %T with %q", err, err, kind, words)
	}
}

func TestTheSameWeighingTwiceIsOneFileAndOthersAreNotReplaced(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	entries := sinktest.Weighings(3, 1)
	deliver(t, open(t, s), entries)
	before := s.received()
	deliver(t, open(t, s), entries)
	if after := s.received(); len(after) != 3 || len(before) != 3 {
		t.Fatalf("%d files after %d", len(after), len(before))
	}
	s.put(filepath.Join(s.dir, before[1].Name), notOurs)
	changed := entries[1]
	n, err := open(t, s).Deliver(t.Context(), []record.Entry{changed})
	want[sinks.Refused](t, err, "is there already with other content")
	if got, _ := os.ReadFile(filepath.Join(s.dir, before[1].Name)); n != 0 || string(got) != notOurs {
		t.Errorf("the other file now holds %q", got)
	}
}

func TestLeftoversOfACrashAreCleared(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Name = "{balance}/{id}.json" })
	sink := open(t, s)
	e := sinktest.Weighings(1, 1)
	temp := filepath.Join(s.dir, e[0].Balance, sink.filing.Temp)
	s.put(temp, string(e[0].JSON[:50]))
	deliver(t, sink, e)
	if _, err := os.Stat(temp); !os.IsNotExist(err) {
		t.Errorf("the half file is still there: %v", err)
	}
	if got := s.received(); len(got) != 1 || !bytes.Equal(got[0].Body, e[0].JSON) {
		t.Errorf("got %v", got)
	}
}

// TestATornTailIsMended cuts a file as a crash does, at every byte (without WEIGHPOST_LONG at every eleventh and at the last
// hundred), and delivers again.
func TestATornTailIsMended(t *testing.T) {
	for _, f := range []string{NDJSON, CSV} {
		s := newShelf(t, func(c *Config) { c.Format, c.Name = f, "all."+f })
		name := filepath.Join(s.dir, "all."+f)
		entries := sinktest.WithSamples([]string{"LOT-1", "a\r\nb,\"c\"\n", "é"}, 1)
		deliver(t, open(t, s), entries)
		whole, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for cut := range len(whole) {
			if os.Getenv("WEIGHPOST_LONG") == "" && cut%11 != 0 && cut < len(whole)-100 {
				continue
			}
			s.put(name, string(whole[:cut]))
			deliver(t, open(t, s), entries)
			if got, _ := os.ReadFile(name); !bytes.Equal(got, whole) {
				t.Fatalf("%s cut at %d of %d became\n%q, want\n%q", f, cut, len(whole), got, whole)
			}
		}
	}
}

// TestAnEntryIsOneLineHoweverOftenItComes: within a batch, in a later one, and among others that are new.
func TestAnEntryIsOneLineHoweverOftenItComes(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Format, c.Name = NDJSON, "all.ndjson" })
	sink := open(t, s)
	e := sinktest.Weighings(4, 1)
	for _, batch := range [][]record.Entry{{e[0], e[1], e[0]}, {e[1]}, {e[1], e[2], e[0], e[3], e[2]}} {
		deliver(t, sink, batch)
	}
	got, err := os.ReadFile(filepath.Join(s.dir, "all.ndjson"))
	lf := []byte("\n")
	if want := slices.Concat(e[0].JSON, lf, e[1].JSON, lf, e[2].JSON, lf, e[3].JSON, lf); err != nil || !bytes.Equal(got, want) {
		t.Errorf("%.4000q, want %.4000q: %v", got, want, err)
	}
}

func TestAFileThatIsSomebodysWorkIsLeftAlone(t *testing.T) {
	entries := sinktest.Weighings(4, 1)
	for what, spoil := range map[string]func(string) string{
		"other columns":    func(s string) string { return "a,b,c\r\n1,2,3\r\n" },
		"a row too short":  func(s string) string { return strings.Replace(s, "/1\r\n", "/1\r\n1,2,3\r\n", 1) },
		"a quote too many": func(s string) string { return strings.Replace(s, "/1\r\n", "/1\r\n\"", 1) },
		"headless":         func(s string) string { _, rest, _ := strings.Cut(s, "\r\n"); return rest },
		"NUL bytes": func(s string) string {
			return strings.Replace(s, "/1\r\n", "/1\r\n"+strings.Repeat("\x00", 40)+"\r\n", 1)
		},
	} {
		t.Run(what, func(t *testing.T) {
			s := newShelf(t, func(c *Config) { c.Format, c.Name = CSV, "all.csv" })
			name := filepath.Join(s.dir, "all.csv")
			deliver(t, open(t, s), entries)
			body, _ := os.ReadFile(name)
			spoilt := spoil(string(body))
			s.put(name, spoilt)
			sink := open(t, s)
			n, err := sink.Deliver(t.Context(), entries)
			want[sinks.Unusable](t, err, "move the file away")
			if got, _ := os.ReadFile(name); n != 0 || string(got) != spoilt {
				t.Errorf("accepted %d, the file became %q", n, got)
			}
			s.move(name, name+".old")
			deliver(t, sink, entries)
		})
	}
}

func TestAnEditorsMissingLineEndIsAdded(t *testing.T) {
	for f, end := range map[string]string{NDJSON: "\n", CSV: "\r\n"} {
		s := newShelf(t, func(c *Config) { c.Format, c.Name = f, "all."+f })
		name := filepath.Join(s.dir, "all."+f)
		entries := sinktest.Weighings(4, 1)
		deliver(t, open(t, s), entries[:2])
		body, _ := os.ReadFile(name)
		s.put(name, strings.TrimSuffix(string(body), end))
		deliver(t, open(t, s), entries[2:]) // the cursor is past the first two: they would never come again
		h := s.harness()
		if got, _ := os.ReadFile(name); !bytes.HasPrefix(got, body) || len(h.Received()) != 1 {
			t.Errorf("%s: the second line is gone", f)
		}
	}
}

func TestAFileThatIsMovedAwayIsBegunAnew(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Format, c.Name = NDJSON, "all.ndjson" })
	sink, entries := open(t, s), sinktest.Weighings(4, 1)
	deliver(t, sink, entries[:2])
	s.move(filepath.Join(s.dir, "all.ndjson"), filepath.Join(s.dir, "yesterday.ndjson"))
	deliver(t, sink, entries[2:])
	if got, _ := os.ReadFile(filepath.Join(s.dir, "all.ndjson")); string(got) != string(entries[2].JSON)+"\n"+string(entries[3].JSON)+"\n" {
		t.Errorf("got %q", got)
	}
}

func TestWhatTheFolderIsLikeDecides(t *testing.T) {
	e := sinktest.Weighings(1, 1)
	t.Run("missing", func(t *testing.T) {
		s := newShelf(t, func(c *Config) { c.Folder += "/not-there" })
		_, err := open(t, s).Deliver(t.Context(), e)
		passing(t, err, "not-there is not there: mount or create it")
	})
	t.Run("a file", func(t *testing.T) {
		s := newShelf(t, func(c *Config) { c.Folder += "/file" })
		s.put(s.cfg.Folder, notOurs)
		_, err := open(t, s).Deliver(t.Context(), e)
		want[sinks.Unusable](t, err, "is a file, and should be a folder")
	})
	t.Run("a file in the place of a balance's folder", func(t *testing.T) {
		s := newShelf(t, func(*Config) {})
		s.put(filepath.Join(s.dir, e[0].Balance), notOurs)
		_, err := open(t, s).Deliver(t.Context(), e)
		want[sinks.Unusable](t, err, "something is in the way")
	})
	t.Run("a link that leads out", func(t *testing.T) {
		s := newShelf(t, func(*Config) {})
		if err := os.Symlink(t.TempDir(), filepath.Join(s.dir, e[0].Balance)); err != nil {
			t.Fatal(err)
		}
		if n, err := open(t, s).Deliver(t.Context(), e); n != 0 || err == nil {
			t.Errorf("accepted %d outside of the folder: %v", n, err)
		}
	})
	t.Run("not mounted", func(t *testing.T) {
		s := newShelf(t, func(c *Config) { c.Mount = true })
		_, err := open(t, s).Deliver(t.Context(), e)
		want[sinks.Unusable](t, err, "is not mounted")
	})
}

// passing wants an error that means try again.
func passing(t *testing.T, err error, words string) {
	t.Helper()
	var r sinks.Refused
	var u sinks.Unusable
	if err == nil || errors.As(err, &r) || errors.As(err, &u) || !strings.Contains(err.Error(), words) {
		t.Errorf("got %T (%v), want one that passes, with %q", err, err, words)
	}
}

func TestKindsWithoutACSVFormAreRefused(t *testing.T) {
	s := newShelf(t, func(c *Config) { c.Format = CSV })
	entries := sinktest.Weighings(3, 1)
	entries[1].Kind = record.KindUnread
	n, err := open(t, s).Deliver(t.Context(), entries)
	want[sinks.Refused](t, err, "has no CSV form")
	if n != 1 || s.cfg.Carries(record.KindUnread) || !s.cfg.Carries(record.KindResult) {
		t.Errorf("accepted %d", n)
	}
}

func TestCheckpointsAreKeptBesideTheEntries(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	for range 2 { // a second life hands over the same one again
		sink := open(t, s)
		for _, size := range []int{3, 7} {
			note := fmt.Sprintf("north-seed-bank/7qx3\n%d\nroot\n\n— key sig\n", size)
			if err := sink.Checkpoint(t.Context(), []byte(note)); err != nil {
				t.Fatal(err)
			}
		}
	}
	files, _ := filepath.Glob(filepath.Join(s.dir, checkpointFolder, "*.ndjson"))
	if len(files) != 1 {
		t.Fatalf("files %v", files)
	}
	got, _ := os.ReadFile(files[0])
	if bytes.Count(got, []byte("\n")) != 2 || !bytes.Contains(got, []byte(`"note":"north-seed-bank/7qx3\n7\nroot\n\n— key sig\n"`)) {
		t.Errorf("got %s", got)
	}
}
