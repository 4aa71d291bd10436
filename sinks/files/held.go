package files

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// How much of a folder is looked at. A folder of ten years, a thousand entries a day, is within it.
const (
	maxLooked    = 4 << 20   // files and folders
	maxLookedIn  = 256 << 20 // bytes of one file of lines
	maxOneEntry  = 1 << 20   // bytes of a file of one entry
	maxOrigins   = 16
	lookedAtOnce = 1024 // names read from a folder at a time
)

// Held looks through the folder: the checkpoints in it, and the entries in files of this sink's format. Names and times of
// files mean nothing here: what counts is what an entry says of itself.
func (s *Sink) Held(ctx context.Context, after uint64) (sinks.Held, error) {
	found := make(chan sinks.Held, 1)
	_, err := s.work.do(ctx, func(ctx context.Context) (int, error) {
		if err := s.open(); err != nil {
			return 0, err
		}
		l := &looker{sink: s, after: after, newest: map[string]heldNote{}}
		l.checkpoints(ctx)
		l.folder(ctx, ".")
		found <- l.held()
		return 0, nil
	})
	if err != nil {
		return sinks.Held{}, err
	}
	return <-found, nil
}

// looker looks through a folder once.
type looker struct {
	sink   *Sink
	after  uint64
	looked int
	full   bool // enough was found or looked at
	out    sinks.Held
	newest map[string]heldNote // by origin
}

type heldNote struct {
	size uint64
	note []byte
}

func (l *looker) partly(format string, args ...any) {
	if l.out.Partial == "" {
		l.out.Partial = fmt.Sprintf(format, args...)
	}
}

// held gives what was found, the checkpoints in order of their origins.
func (l *looker) held() sinks.Held {
	var origins []string
	for origin := range l.newest {
		origins = append(origins, origin)
	}
	slices.Sort(origins)
	for _, origin := range origins {
		l.out.Checkpoints = append(l.out.Checkpoints, l.newest[origin].note)
	}
	return l.out
}

// goOn says whether more is to be looked at.
func (l *looker) goOn(ctx context.Context) bool {
	switch {
	case l.full:
	case ctx.Err() != nil:
		l.partly("the time was over after %d files and folders", l.looked)
		l.full = true
	case l.looked >= maxLooked:
		l.partly("only %d files and folders were looked at", l.looked)
		l.full = true
	case len(l.out.Entries) >= sinks.MostHeld:
		l.partly("only the first %d entries that were met are counted", sinks.MostHeld)
		l.full = true
	}
	return !l.full
}

// folder looks at everything in a folder but what begins with an underscore at the top, which no delivery does, and but links.
func (l *looker) folder(ctx context.Context, dir string) {
	f, err := l.sink.root.Open(dir)
	if err != nil {
		l.partly("%s cannot be read: %v", dir, err)
		return
	}
	defer f.Close()
	for l.goOn(ctx) {
		names, err := f.ReadDir(lookedAtOnce)
		for _, entry := range names {
			if !l.goOn(ctx) {
				return
			}
			l.looked++
			name := path.Join(dir, entry.Name())
			switch {
			case dir == "." && strings.HasPrefix(name, "_"), strings.HasPrefix(entry.Name(), "."):
			case entry.IsDir():
				l.folder(ctx, name)
			case entry.Type().IsRegular():
				l.file(name)
			}
		}
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			l.partly("%s cannot be read: %v", dir, err)
			return
		}
	}
}

// file takes the entries of one file. A file of something else has none.
func (l *looker) file(name string) {
	if l.sink.cfg.Format != JSON {
		l.rows(name, l.sink.kind(name).end, l.row)
		return
	}
	info, err := l.sink.root.Lstat(name)
	if err != nil || info.Size() > maxOneEntry {
		return
	}
	body, err := l.sink.root.ReadFile(name)
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			l.partly("%s cannot be read: %v", name, err)
		}
		return
	}
	l.entry(body)
}

// rows gives each complete row of a file of lines to take.
func (l *looker) rows(name string, end func([]byte) int, take func([]byte)) {
	f, err := l.sink.root.OpenFile(name, os.O_RDONLY, 0)
	if err != nil {
		l.partly("%s cannot be read: %v", name, err)
		return
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || info.Size() > maxLookedIn {
		l.partly("%s is not looked at: it is larger than %d bytes", name, maxLookedIn)
		return
	}
	rows := bufio.NewScanner(f)
	rows.Buffer(make([]byte, 0, 64<<10), maxRow)
	rows.Split(func(b []byte, _ bool) (int, []byte, error) {
		if n := end(b); n > 0 {
			return n, b[:n], nil
		}
		return 0, nil, nil // a row that is not whole was never accepted
	})
	for rows.Scan() && len(l.out.Entries) < sinks.MostHeld {
		take(rows.Bytes())
	}
	if err := rows.Err(); err != nil {
		l.partly("%s was not read to its end: %v", name, err)
	}
}

func (l *looker) row(row []byte) {
	if l.sink.cfg.Format == NDJSON {
		l.entry(bytes.TrimSpace(row))
		return
	}
	fields, err := format.ParseCSV(row)
	if err != nil || len(fields) < 2 {
		return
	}
	if seq, err := strconv.ParseUint(fields[1], 10, 63); err == nil { // the header's is no number
		l.add(fields[0], seq)
	}
}

func (l *looker) entry(body []byte) {
	if e, err := record.ParseEntry(body); err == nil {
		l.add(e.ID, e.Seq)
	}
}

func (l *looker) add(id string, seq uint64) {
	if seq > l.after && len(l.out.Entries) < sinks.MostHeld && len(id) <= maxID && strings.HasPrefix(id, l.sink.site+"/") {
		l.out.Entries = append(l.out.Entries, sinks.HeldEntry{ID: id, Seq: seq})
	}
}

// maxID is longer than any id of weighpost's: three names and a number.
const maxID = 256

// checkpoints takes the newest of each origin of this site.
func (l *looker) checkpoints(ctx context.Context) {
	f, err := l.sink.root.Open(checkpointFolder)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err != nil {
		l.partly("%s cannot be read: %v", checkpointFolder, err)
		return
	}
	defer f.Close()
	names, err := f.ReadDir(lookedAtOnce) // one a month
	if err != nil && !errors.Is(err, io.EOF) {
		l.partly("%s cannot be read: %v", checkpointFolder, err)
	}
	for _, entry := range names {
		if entry.Type().IsRegular() && strings.HasSuffix(entry.Name(), ".ndjson") && ctx.Err() == nil {
			l.rows(path.Join(checkpointFolder, entry.Name()), func(b []byte) int { return bytes.IndexByte(b, '\n') + 1 }, l.checkpoint)
		}
	}
}

func (l *looker) checkpoint(row []byte) {
	var line struct{ Note string }
	if json.Unmarshal(row, &line) != nil || len(line.Note) > 64<<10 {
		return
	}
	part := strings.SplitN(line.Note, "\n", 3) // origin, size of the tree, the rest
	if len(part) < 3 || !strings.HasPrefix(part[0], "weighpost/"+l.sink.site+"/") {
		return
	}
	size, err := strconv.ParseUint(part[1], 10, 63)
	if before, known := l.newest[part[0]]; err != nil || known && before.size >= size || !known && len(l.newest) == maxOrigins {
		return
	}
	l.newest[part[0]] = heldNote{size, []byte(line.Note)}
}
