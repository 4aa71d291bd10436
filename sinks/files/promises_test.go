package files

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/sinks"
	"weighpost/sinks/folder"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// notOurs is what a test puts in the way.
const notOurs = "somebody else's file"

// shelf is a folder and ways to make it misbehave.
type shelf struct {
	t    *testing.T
	dir  string
	away string
	cfg  Config
}

func newShelf(t *testing.T, change func(*Config)) *shelf {
	base := memory(t)
	s := &shelf{t: t, dir: filepath.Join(base, "weighings"), away: filepath.Join(base, "away"), cfg: *Default()}
	s.cfg.Folder = s.dir
	change(&s.cfg)
	if err := os.Mkdir(s.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return s
}

// memory is a folder in memory where there is one: these tests are about what is written, and a disk under load takes minutes
// to sync thousands of files. WEIGHPOST_LONG=1 takes the disk.
func memory(t *testing.T) string {
	if os.Getenv("WEIGHPOST_LONG") == "" {
		if dir, err := os.MkdirTemp("/dev/shm", "weighpost-files-"); err == nil {
			t.Cleanup(func() { os.RemoveAll(dir) })
			return dir
		}
	}
	return t.TempDir()
}

func (s *shelf) move(from, to string) {
	if err := os.Rename(from, to); err != nil && !os.IsNotExist(err) {
		s.t.Errorf("move the folder: %v", err)
	}
}

// received reads whatever is in the folder, wherever it is now, in the order in which it was written.
func (s *shelf) received() []sinktest.Arrival {
	type file struct {
		sinktest.Arrival
		at  time.Time
		seq uint64 // of its first entry, for files of the same moment: clocks of file systems tick in milliseconds
	}
	var list []file
	for _, dir := range []string{s.dir, s.away} {
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			continue
		}
		// The folder may be moved while this runs; what is missed then is seen by the next call.
		_ = filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || strings.HasSuffix(p, ".part") {
				return nil
			}
			body, err := os.ReadFile(p)
			info, ierr := d.Info()
			if err != nil || ierr != nil || string(body) == notOurs {
				return nil
			}
			name, _ := filepath.Rel(dir, p)
			var first struct{ Seq uint64 }
			_ = json.Unmarshal(body, &first) // several lines are one file, whose order is its own
			list = append(list, file{sinktest.Arrival{Name: filepath.ToSlash(name), Body: body}, info.ModTime(), first.Seq})
			return nil
		})
	}
	slices.SortFunc(list, func(a, b file) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.seq, b.seq)) })
	var arrivals []sinktest.Arrival
	for _, f := range list {
		arrivals = append(arrivals, f.Arrival)
	}
	return arrivals
}

func (s *shelf) harness() sinktest.Harness {
	h := sinktest.Harness{
		Open:     func() (sinks.Sink, error) { return New(s.cfg, "shelf", sinks.Env{}) },
		Received: s.received,
		Break:    func() { s.move(s.dir, s.away) },
		Mend:     func() { s.move(s.away, s.dir) },
		Deny: func(on bool) {
			if on {
				s.move(s.dir, s.away)
				s.put(s.dir, notOurs)
				return
			}
			if err := os.Remove(s.dir); err != nil {
				s.t.Fatal(err)
			}
			s.move(s.away, s.dir)
		},
		Once: true,
	}
	switch s.cfg.Format {
	case JSON:
		h.Refuse = func(id string) {
			for _, e := range sinktest.Weighings(50, 3) {
				if e.ID == id {
					t, _ := folder.ParseName(s.cfg.name())
					name, _ := t.Render(e)
					s.put(filepath.Join(s.dir, name), notOurs)
					return
				}
			}
			s.t.Fatalf("there is no weighing %s", id)
		}
	case CSV:
		h.Parse = func(a sinktest.Arrival) ([]sinktest.Fact, error) { return csvFacts(a, s.cfg.Spreadsheet) }
	}
	return h
}

func (s *shelf) put(name, body string) {
	s.t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		s.t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(body), 0o644); err != nil {
		s.t.Fatal(err)
	}
}

// csvFacts reads a file back as a receiver would.
func csvFacts(a sinktest.Arrival, spreadsheet bool) ([]sinktest.Fact, error) {
	body := a.Body
	if spreadsheet {
		var marked bool
		if body, marked = bytes.CutPrefix(body, []byte(format.BOM)); !marked {
			return nil, fmt.Errorf("no byte-order mark")
		}
	}
	var header []string
	var facts []sinktest.Fact
	for len(body) > 0 {
		n := format.EndOfCSV(body)
		row, err := format.ParseCSV(body[:n])
		if err != nil || n == 0 {
			return nil, fmt.Errorf("%d: %w", n, err)
		}
		body = body[n:]
		if header == nil {
			header = row
			continue
		}
		col := func(name string) string {
			cell := row[slices.Index(header, name)]
			if spreadsheet {
				cell = strings.TrimPrefix(cell, "'")
			}
			return cell
		}
		facts = append(facts, sinktest.Fact{ID: col("id"), Balance: col("balance"), Digits: col("digits"), Unit: col("unit"),
			PrintedUnit: col("printed_unit"), Kind: col("kind"), Stability: col("stability"), InRange: col("range"),
			UTC: col("utc"), Sample: col("sample")})
	}
	return facts, nil
}

func TestPromises(t *testing.T) {
	for name, change := range map[string]func(*Config){
		"json":              func(*Config) {},
		"json by sample":    func(c *Config) { c.Name = "{site}/{sample}/{month}-{id}.json" },
		"ndjson":            func(c *Config) { c.Format = NDJSON },
		"ndjson by balance": func(c *Config) { c.Format, c.Name = NDJSON, "{balance}/{local_day}.txt" },
		"csv":               func(c *Config) { c.Format = CSV },
		"csv for people":    func(c *Config) { c.Format, c.Spreadsheet, c.Name = CSV, true, "{year}/{balance}-{hour}.csv" },
	} {
		t.Run(name, func(t *testing.T) {
			sinktest.Run(t, func(t *testing.T) sinktest.Harness { return newShelf(t, change).harness() })
		})
	}
}

func TestOneFileHoldsTheExactBytes(t *testing.T) {
	s := newShelf(t, func(*Config) {})
	sink := open(t, s)
	entries := sinktest.Weighings(20, 1)
	deliver(t, sink, entries)
	for _, e := range entries {
		var w struct{ Stamp struct{ UTC time.Time } }
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(s.dir, e.Balance, w.Stamp.UTC.Format("2006-01-02"), strings.ReplaceAll(e.ID, "/", "_")+".json")
		if got, err := os.ReadFile(name); err != nil || !bytes.Equal(got, e.JSON) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
