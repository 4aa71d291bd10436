package foldertest

import (
	"cmp"
	"encoding/json"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/sinks/sinktest"
)

// NotOurs is what a test puts in the way.
const NotOurs = "somebody else's file"

// Arrivals reads whatever is in a folder under a final name, in the order in which it was written.
func Arrivals(dir string) []sinktest.Arrival {
	type file struct {
		sinktest.Arrival
		at  time.Time
		seq uint64 // for files of the same moment: clocks of file systems tick in milliseconds
	}
	var list []file
	_ = filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error { // files come and go meanwhile
		if err != nil || d.IsDir() || strings.HasPrefix(d.Name(), ".") {
			return nil
		}
		body, err := os.ReadFile(p)
		info, ierr := d.Info()
		if err != nil || ierr != nil || string(body) == NotOurs {
			return nil
		}
		name, _ := filepath.Rel(dir, p)
		var first struct{ Seq uint64 }
		_ = json.Unmarshal(body, &first)
		list = append(list, file{sinktest.Arrival{Name: filepath.ToSlash(name), Body: body}, info.ModTime(), first.Seq})
		return nil
	})
	slices.SortFunc(list, func(a, b file) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.seq, b.seq)) })
	var arrivals []sinktest.Arrival
	for _, f := range list {
		arrivals = append(arrivals, f.Arrival)
	}
	return arrivals
}

// Put writes a file below a folder, for everybody to change.
func Put(t testing.TB, dir, name, body string) {
	t.Helper()
	p := filepath.Join(dir, filepath.FromSlash(name))
	for made := dir; made != filepath.Dir(p); {
		rest, _ := filepath.Rel(made, filepath.Dir(p))
		first, _, _ := strings.Cut(rest, string(filepath.Separator))
		made = filepath.Join(made, first)
		if err := os.Mkdir(made, 0o777); err != nil && !os.IsExist(err) {
			t.Fatal(err)
		}
		_ = os.Chmod(made, 0o777) // whatever the umask
	}
	if err := os.WriteFile(p, []byte(body), 0o666); err != nil {
		t.Fatal(err)
	}
}
