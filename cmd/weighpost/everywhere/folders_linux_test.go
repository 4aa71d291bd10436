package everywhere

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// watched is a folder that is looked at all the time: whatever has a final name is whole at first sight, and never changes.
type watched struct {
	dir    string
	suffix string
	lines  int // entries that each file holds
	mu     sync.Mutex
	first  map[string][]byte
	faults []string
}

// watch begins to look, until ctx ends; the caller waits on all.
func watch(ctx context.Context, all *sync.WaitGroup, dir, suffix string, lines int) *watched {
	w := &watched{dir: dir, suffix: suffix, lines: lines, first: map[string][]byte{}}
	all.Go(func() {
		for ctx.Err() == nil {
			w.look()
			time.Sleep(25 * time.Millisecond)
		}
	})
	return w
}

// look reads what is new.
func (w *watched) look() {
	w.mu.Lock()
	defer w.mu.Unlock()
	err := filepath.WalkDir(w.dir, func(name string, d fs.DirEntry, err error) error {
		if d != nil && d.IsDir() && strings.Contains(d.Name(), "checkpoints") {
			return fs.SkipDir // lines are added to those
		}
		if err != nil || d.IsDir() || !w.final(d.Name()) || w.first[name] != nil {
			return nil // what goes away while we look was a temporary name
		}
		b, err := os.ReadFile(name)
		if err != nil {
			w.faults = append(w.faults, err.Error())
			return nil
		}
		w.first[name] = b
		if _, err := entriesOf(b, w.lines); err != nil {
			w.faults = append(w.faults, fmt.Sprintf("torn under its final name: %s: %v", d.Name(), err))
		}
		return nil
	})
	if err != nil {
		w.faults = append(w.faults, err.Error())
	}
}

// final says whether a name is one that entries appear under. Hidden names are those of half-done files.
func (w *watched) final(name string) bool {
	return strings.HasSuffix(name, w.suffix) && !strings.HasPrefix(name, ".")
}

// entriesOf reads a file of so many lines; 0: as many as there are.
func entriesOf(b []byte, lines int) (list []arrival, err error) {
	if lines != 1 && !bytes.HasSuffix(b, []byte("\n")) { // a single JSON text has its own end
		return nil, fmt.Errorf("it does not end with a line: %.80q", b[max(0, len(b)-80):])
	}
	for line := range bytes.Lines(b) {
		line = bytes.TrimSuffix(line, []byte("\n"))
		e, err := record.ParseEntry(line)
		if err != nil {
			return nil, fmt.Errorf("%w: %.200q", err, line)
		}
		list = append(list, arrival{id: e.ID, body: bytes.Clone(line)})
	}
	if lines > 0 && len(list) != lines {
		return nil, fmt.Errorf("it has %d entries, not %d", len(list), lines)
	}
	return list, nil
}

func (w *watched) count(*testing.T) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.first) * w.lines
}

// read gives all that is there now, by the files' names, having held each to what it was at first sight and to its manifest.
func (w *watched) read(t *testing.T) (list []arrival) {
	t.Helper()
	w.look()
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, f := range w.faults {
		t.Error(f)
	}
	var names []string
	for name := range w.first {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil || !bytes.Equal(b, w.first[name]) {
			t.Errorf("%s has changed since it appeared: %v", filepath.Base(name), err)
			continue
		}
		manifest(t, name, b)
		some, _ := entriesOf(b, w.lines)
		list = append(list, some...)
	}
	return list
}

// manifest holds a file against its SHA-256 beside it, if there is one.
func manifest(t *testing.T, name string, b []byte) {
	t.Helper()
	text, err := os.ReadFile(name + ".sha256")
	if os.IsNotExist(err) {
		return
	}
	sum := sha256.Sum256(b)
	if err != nil || !bytes.HasPrefix(text, []byte(hex.EncodeToString(sum[:]))) {
		t.Errorf("the manifest of %s does not fit: %v %.200q", filepath.Base(name), err, text)
	}
}

// grown is a folder with files that lines are added to.
func grown(dir string) func(t *testing.T) []arrival {
	return func(t *testing.T) (list []arrival) {
		t.Helper()
		names, _ := filepath.Glob(filepath.Join(dir, "lines-*.ndjson"))
		for _, name := range names {
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			if len(b) == 0 {
				continue // it has just been made, and its first line is on its way
			}
			some, err := entriesOf(b, 0)
			if err != nil {
				t.Errorf("%s: %v", filepath.Base(name), err)
			}
			list = append(list, some...)
		}
		return list
	}
}

// grownCount counts lines, whole or not.
func grownCount(dir string) func(*testing.T) int {
	return func(*testing.T) (n int) {
		names, _ := filepath.Glob(filepath.Join(dir, "lines-*.ndjson"))
		for _, name := range names {
			b, _ := os.ReadFile(name)
			n += bytes.Count(b, []byte("\n"))
		}
		return n
	}
}
