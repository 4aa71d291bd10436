package folder

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// MaxRow is the longest row that is read back, in bytes; an entry is far shorter.
const MaxRow = 16 << 20

// How much of a folder is looked at. A folder of ten years, a thousand entries a day, is within it.
const (
	maxLooked       = 4 << 20   // files and folders
	maxLookedIn     = 256 << 20 // bytes of one file of lines
	maxOneEntry     = 1 << 20   // bytes of a file of one entry
	maxOrigins      = 16
	mostCheckpoints = 4096 // files of checkpoints, of which there is one a month and journal
)

// Held looks through the folder: the checkpoints in it, and the entries in files of this sink's format. Names and times of
// files mean nothing here: what counts is what an entry says of itself.
func (f *Filing) Held(ctx context.Context, v *Visit, after uint64) sinks.Held {
	l := &looker{filing: f, visit: v, after: after, newest: map[string]heldNote{}}
	l.checkpoints(ctx)
	if why := l.unread(); why != "" {
		l.partly("%s", why)
	} else {
		l.folder(ctx, ".")
	}
	return l.held()
}

// looker looks through a folder once.
type looker struct {
	filing *Filing
	visit  *Visit
	after  uint64
	table  format.Rows // the files' format, where it is a table
	seq    int         // which column of it tells an entry's sequence
	looked int
	full   bool // enough was found or looked at
	out    sinks.Held
	newest map[string]heldNote // by origin
}

type heldNote struct {
	size uint64
	note []byte
}

// unread says why files of this format are not read back; "" where they are.
func (l *looker) unread() string {
	c := &l.filing.Choice
	switch c.Format {
	case format.NameJSON, format.NameNDJSON:
		return ""
	case format.NameCSV:
		columns := c.CSV.Columns
		if len(columns) == 0 {
			columns = format.CSVHeader()
		}
		l.table, _ = l.filing.Format.(format.Rows)
		if l.seq = slices.Index(columns, "seq"); l.table == nil || l.seq < 0 || !slices.Contains(columns, "id") {
			return "entries are not looked for in tables without the columns id and seq"
		}
		return ""
	}
	return "entries are not looked for in files of the format " + c.Format
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
	var below []string // looked through afterwards: one folder is read at a time
	err := l.visit.Each(ctx, dir, func(info fs.FileInfo) error {
		if !l.goOn(ctx) {
			return errEnough
		}
		l.looked++
		name := path.Join(dir, info.Name())
		switch {
		case dir == "." && strings.HasPrefix(name, "_"), strings.HasPrefix(info.Name(), "."):
		case info.IsDir():
			below = append(below, name)
		case info.Mode().IsRegular():
			l.file(ctx, name, info.Size())
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		l.partly("%s cannot be read: %v", dir, err)
		return
	}
	for _, name := range below {
		if !l.goOn(ctx) {
			return
		}
		l.folder(ctx, name)
	}
}

// file takes the entries of one file. A file of something else has none.
func (l *looker) file(ctx context.Context, name string, size int64) {
	if l.filing.Choice.Format != format.NameJSON {
		end := func(b []byte) int { return bytes.IndexByte(b, '\n') + 1 }
		if l.filing.Choice.Format == format.NameCSV {
			end = format.EndOfCSV
		}
		l.rows(ctx, name, size, end, l.row)
		return
	}
	if size > maxLookedIn {
		return
	}
	f, err := l.visit.Open(ctx, name)
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			l.partly("%s cannot be read: %v", name, err)
		}
		return
	}
	defer f.Close()
	l.json(bufio.NewReaderSize(f, 64<<10), size)
}

// json takes the entry of a file, or those of an array, one after another.
func (l *looker) json(r *bufio.Reader, size int64) {
	if first, err := r.Peek(1); err != nil || first[0] != '[' {
		if size > maxOneEntry {
			return
		}
		if body, err := io.ReadAll(io.LimitReader(r, maxOneEntry)); err == nil {
			l.entry(body)
		}
		return
	}
	// The size is what the far side says. What is read for one entry has a limit of its own.
	limited := &io.LimitedReader{R: r, N: maxOneEntry}
	d := json.NewDecoder(limited)
	if _, err := d.Token(); err != nil {
		return
	}
	for read := int64(0); d.More() && len(l.out.Entries) < sinks.MostHeld && read <= maxLookedIn; {
		var body json.RawMessage
		if d.Decode(&body) != nil || len(body) > maxOneEntry {
			return // a file of something else
		}
		l.entry(body)
		read, limited.N = read+maxOneEntry-limited.N, maxOneEntry
	}
}

// rows gives each complete row of a file of lines to take.
func (l *looker) rows(ctx context.Context, name string, size int64, end func([]byte) int, take func([]byte)) {
	if size > maxLookedIn {
		l.partly("%s is not looked at: it is larger than %d bytes", name, maxLookedIn)
		return
	}
	f, err := l.visit.Open(ctx, name)
	if err != nil {
		l.partly("%s cannot be read: %v", name, err)
		return
	}
	defer f.Close()
	rows := bufio.NewScanner(io.LimitReader(f, maxLookedIn+1)) // whatever the far side says of its size
	rows.Buffer(make([]byte, 0, 64<<10), MaxRow)
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
	if l.filing.Choice.Format == format.NameNDJSON {
		l.entry(bytes.TrimSpace(row))
		return
	}
	row = bytes.TrimPrefix(row, []byte(format.BOM)) // before the first row, where there is no header
	id, err := l.table.ID(row)
	if err != nil {
		return
	}
	fields, err := format.ParseRow(row, l.filing.Choice.CSV.Separator)
	if err != nil || len(fields) <= l.seq {
		return
	}
	if seq, err := strconv.ParseUint(fields[l.seq], 10, 63); err == nil { // the header's is no number
		l.add(id, seq)
	}
}

func (l *looker) entry(body []byte) {
	if e, err := record.ParseEntry(body); err == nil {
		l.add(e.ID, e.Seq)
	}
}

func (l *looker) add(id string, seq uint64) {
	if seq > l.after && len(l.out.Entries) < sinks.MostHeld && len(id) <= maxID && strings.HasPrefix(id, l.filing.Site+"/") {
		l.out.Entries = append(l.out.Entries, sinks.HeldEntry{ID: id, Seq: seq})
	}
}

// maxID is longer than any id of weighpost's: three names and a number.
const maxID = 256

// checkpoints takes the newest of each origin of this site.
func (l *looker) checkpoints(ctx context.Context) {
	looked := 0
	err := l.visit.Each(ctx, CheckpointFolder, func(info fs.FileInfo) error {
		if looked++; looked > mostCheckpoints || ctx.Err() != nil {
			return errEnough
		}
		if info.Mode().IsRegular() && strings.HasSuffix(info.Name(), ".ndjson") {
			end := func(b []byte) int { return bytes.IndexByte(b, '\n') + 1 }
			l.rows(ctx, path.Join(CheckpointFolder, info.Name()), info.Size(), end, l.checkpoint)
		}
		return nil
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, errEnough) {
		l.partly("%s cannot be read: %v", CheckpointFolder, err)
	}
}

func (l *looker) checkpoint(row []byte) {
	var line struct{ Note string }
	if json.Unmarshal(row, &line) != nil || len(line.Note) > 64<<10 {
		return
	}
	part := strings.SplitN(line.Note, "\n", 3) // origin, size of the tree, the rest
	if len(part) < 3 || !strings.HasPrefix(part[0], "weighpost/"+l.filing.Site+"/") {
		return
	}
	size, err := strconv.ParseUint(part[1], 10, 63)
	if before, known := l.newest[part[0]]; err != nil || known && before.size >= size || !known && len(l.newest) == maxOrigins {
		return
	}
	l.newest[part[0]] = heldNote{size, []byte(line.Note)}
}
