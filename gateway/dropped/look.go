package dropped

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"slices"
	"time"
)

// look is how a file was when it was looked at.
type look struct {
	size int64
	at   time.Time
	info fs.FileInfo
}

// mostSeen bounds of how many files one look takes note; others wait until those are gone.
const mostSeen = 20_000

// look gives the files that are ready, by name: those that are as they were at the look before.
func (r *Room) look(root *os.Root) ([]string, error) {
	names, err := candidates(root)
	if err != nil {
		return nil, err
	}
	seen := make(map[string]look, len(names))
	var ready []string
	for _, name := range names {
		info, err := root.Lstat(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if info.IsDir() {
			continue
		}
		now := look{info.Size(), info.ModTime(), info}
		before, known := r.seen[name]
		if !info.Mode().IsRegular() || known && before.size == now.size && before.at.Equal(now.at) && os.SameFile(before.info, info) {
			ready = append(ready, name)
		}
		seen[name] = now
	}
	r.seen = seen
	slices.Sort(ready)
	return ready, nil
}

// candidates lists names that end as ours do.
func candidates(root *os.Root) (names []string, err error) {
	d, err := root.Open(".")
	if err != nil {
		return nil, err
	}
	defer d.Close()
	for len(names) < mostSeen {
		list, err := d.ReadDir(512)
		for _, e := range list {
			if ours(e.Name()) {
				names = append(names, e.Name())
			}
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	return names, nil
}
