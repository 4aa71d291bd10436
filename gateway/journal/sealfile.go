package journal

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/segment"
)

// buildingSegment is the name under which a segment is written until it is whole.
const buildingSegment = "building"

// storedHashes gives any hash of the tree out of those that are kept with the entries.
type storedHashes struct{ db *sqlite3.Conn }

// ReadHashes is tlog's way to ask.
func (s storedHashes) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	hashes := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		level, n := tlog.SplitStoredHashIndex(index)
		found := false
		err := query(s.db, "SELECT hashes FROM entries WHERE seq = ?", []int64{(n + 1) << level}, func(row *sqlite3.Stmt) error {
			stored := row.ColumnRawBlob(0)
			if found = len(stored) >= (level+1)*tlog.HashSize; found {
				copy(hashes[i][:], stored[level*tlog.HashSize:])
			}
			return nil
		})
		if err == nil && !found {
			err = fmt.Errorf("entry %d or its hashes are missing", (n+1)<<level)
		}
		if err != nil {
			return nil, err
		}
	}
	return hashes, nil
}

// files names the two files of a segment.
func (s *sealer) files(first, last uint64) (file, description string) {
	base := fmt.Sprintf("%s-%s-%012d-%012d", s.j.o.Site, s.j.inc, first, last)
	return base + ".ndjson.gz", base + ".segment.json"
}

// seal makes one segment of a span.
func (s *sealer) seal(ctx context.Context, x span) (Segment, error) {
	name, described := s.files(x.first, x.last)
	d, text, err := s.write(ctx, x, name, described)
	if err != nil {
		return Segment{}, fmt.Errorf("entries %d to %d could not be sealed: %w", x.first, x.last, err)
	}
	copies, err := s.copyOut(ctx, map[string]string{name: d.SHA256, described: sumOfBytes(text)})
	if err != nil {
		return Segment{}, fmt.Errorf("the segment of entries %d to %d was written, and nothing was taken out of journal.db: %w", x.first, x.last, err)
	}
	body := &record.Sealed{First: d.First, Last: d.Last, Entries: d.Last + 1 - d.First, File: name, Bytes: d.Bytes, SHA256: d.SHA256,
		Description: described, DescriptionSHA256: sumOfBytes(text), Copies: copies, Checkpoint: d.Checkpoint,
		Rule: s.o.Rule, Reason: s.o.Reason, By: s.o.By, Stamp: s.o.Stamp()}
	if !x.from.IsZero() {
		from, to := record.UTC(x.from), record.UTC(x.to)
		body.From, body.To = &from, &to
	}
	made := Segment{Index: d.Index, File: name, Dropped: d.First - 1}
	a, err := s.j.ask(ctx, &request{bodies: []record.Body{body}, seal: &sealOrder{made}})
	if err != nil {
		return Segment{}, err
	}
	made.Sealed = a.entries[0].Seq
	total := made.Last + 1 - made.First
	err = s.j.dropSegment(ctx, made, func(done uint64) { s.o.Progress("dropping", done, total) })
	if err == nil {
		made.Dropped = made.Last
	}
	return made, err
}

// write makes the two files of a segment in the folder segments, or takes those that an earlier sealing left there whole, and
// reads them back.
func (s *sealer) write(ctx context.Context, x span, name, described string) (segment.Description, []byte, error) {
	disk, dir := s.j.o.disk, in(s.j.o.Dir, segmentsName)
	if d, text, err := s.readBack(ctx, name, described); err == nil {
		return d, text, nil
	}
	temp := in(dir, buildingSegment)
	if err := errors.Join(disk.Mkdir(dir), disk.RemoveAll(temp)); err != nil {
		return segment.Description{}, nil, err
	}
	if err := s.room(x); err != nil {
		return segment.Description{}, nil, err
	}
	d, err := s.writeEntries(ctx, temp, x)
	if err == nil {
		err = errors.Join(disk.Rename(temp, in(dir, name)), disk.SyncDir(dir))
	}
	if err == nil {
		d.File = name
		err = s.place(ctx, &d)
	}
	var text []byte
	if err == nil {
		text, err = d.Encode()
	}
	if err == nil {
		err = errors.Join(disk.RemoveAll(temp), writeWhole(disk, temp, text, 0o640))
	}
	if err == nil {
		err = errors.Join(disk.Rename(temp, in(dir, described)), disk.SyncDir(dir))
	}
	if err != nil {
		return d, nil, errors.Join(err, disk.RemoveAll(temp))
	}
	return s.readBack(ctx, name, described)
}

// room refuses to write what would take the space that recording needs. Compressed, entries take less than half their size.
func (s *sealer) room(x span) error {
	if _, real := s.j.o.disk.(osDisk); !real {
		return nil
	}
	room, err := s.j.Room(s.j.o.Dir)
	if err == nil && room < int64(x.bytes/2) {
		err = fmt.Errorf("the disk has no room for a segment of up to %s beside what recording needs: make space, or seal smaller segments",
			Size(x.bytes/2).About())
	}
	return err
}

// writeEntries writes the entries of a span, as journal.db has them, into a file, and has it on the disk.
func (s *sealer) writeEntries(ctx context.Context, temp string, x span) (segment.Description, error) {
	d := segment.Description{Schema: segment.Schema, Site: s.j.o.Site, Incarnations: []string{}}
	f, err := s.j.o.disk.Open(temp, 0o640)
	if err != nil {
		return d, err
	}
	b := bufio.NewWriterSize(&sequential{w: f}, 256<<10)
	w := segment.NewWriter(b, x.first)
	for after := x.first - 1; after < x.last && err == nil; {
		s.o.Progress("writing", after+1-x.first, x.last+1-x.first)
		var entries []record.Entry
		entries, err = s.j.Read(ctx, after, int(min(500, x.last-after)))
		for i := 0; i < len(entries) && err == nil; i++ {
			err = w.Add(entries[i].JSON)
			after = entries[i].Seq
			if part := strings.Split(entries[i].ID, "/"); len(part) == 4 {
				if n := len(d.Incarnations); n == 0 || d.Incarnations[n-1] != part[1] {
					d.Incarnations = append(d.Incarnations, part[1])
				}
			}
		}
	}
	if err == nil {
		d.Index, err = w.Close()
	}
	if err == nil {
		err = b.Flush()
	}
	if err == nil {
		err = f.Sync()
	}
	return d, errors.Join(err, f.Close())
}

// sequential writes one piece after the other.
type sequential struct {
	w   io.WriterAt
	off int64
}

func (s *sequential) Write(p []byte) (int, error) {
	n, err := s.w.WriteAt(p, s.off)
	s.off += int64(n)
	return n, err
}

// place ties a segment to a checkpoint that covers it.
func (s *sealer) place(ctx context.Context, d *segment.Description) error {
	size, signed, err := s.j.Checkpoint(ctx)
	if err != nil {
		return err
	}
	d.Checkpoint = string(signed)
	return s.j.withReader(func(db *sqlite3.Conn) error {
		d.Tree, err = segment.NewRange(d.First, d.Last, size, storedHashes{db})
		return err
	})
}

// readBack reads a segment and its description from the disk and holds them against the hashes that are kept in journal.db.
func (s *sealer) readBack(ctx context.Context, name, described string) (segment.Description, []byte, error) {
	return s.j.readBack(ctx, name, described)
}

func (j *Journal) readBack(ctx context.Context, name, described string) (d segment.Description, text []byte, err error) {
	dir := in(j.o.Dir, segmentsName)
	if text, err = j.o.disk.ReadFile(in(dir, described)); err == nil {
		d, err = segment.ParseDescription(text)
	}
	if err != nil {
		return d, nil, fmt.Errorf("its description cannot be read back: %w", err)
	}
	c, err := proof.Peek([]byte(d.Checkpoint))
	if err != nil {
		return d, nil, err
	}
	var root tlog.Hash
	err = j.withReader(func(db *sqlite3.Conn) error {
		at, err := loadEdge(db, d.Tree.Size)
		if err == nil {
			root, err = at.root()
		}
		return err
	})
	if err != nil {
		return d, nil, err
	}
	if d.File != name || c.Size != d.Tree.Size || c.Root != root {
		return d, nil, fmt.Errorf("its description %s is of another segment, or of another journal", described)
	}
	f, err := j.o.disk.OpenToRead(in(dir, name))
	if err != nil {
		return d, nil, fmt.Errorf("it cannot be read back: %w", err)
	}
	defer f.Close()
	size, err := f.Size()
	if err == nil {
		err = d.Verify(&stoppable{ctx, io.NewSectionReader(f, 0, size)}, d.Tree.Size, root)
	}
	if err != nil {
		return d, nil, fmt.Errorf("what was read back of %s is not what was written: %w", filepath.Join(dir, name), err)
	}
	return d, text, nil
}

// stoppable ends a long reading when its context does.
type stoppable struct {
	ctx context.Context
	r   io.Reader
}

func (s *stoppable) Read(p []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.r.Read(p)
}

// unfinished lists segments of which some entries are still in journal.db.
func (j *Journal) unfinished() (list []Segment, err error) {
	err = j.withReader(func(db *sqlite3.Conn) error {
		list, err = segments(db, "WHERE dropped < last ORDER BY first")
		return err
	})
	return list, err
}

// finishSealing takes the entries out of journal.db that an earlier sealing left there, once their segment was read again.
func (j *Journal) finishSealing(ctx context.Context, progress func(what string, done, total uint64)) error {
	if progress == nil {
		progress = func(string, uint64, uint64) {}
	}
	list, err := j.unfinished()
	if err != nil {
		return err
	}
	for _, s := range list {
		described := strings.TrimSuffix(s.File, ".ndjson.gz") + ".segment.json"
		d, _, err := j.readBack(ctx, s.File, described)
		if err == nil && (d.SHA256 != s.SHA256 || d.First != s.First || d.Last != s.Last) {
			err = fmt.Errorf("the file %s is of another segment", described)
		}
		if err != nil {
			return fmt.Errorf("the sealing of entries %d to %d cannot be finished, and nothing more is taken out of journal.db: %w", s.First, s.Last, err)
		}
		if err := j.dropSegment(ctx, s, func(done uint64) { progress("dropping", done, s.Last+1-s.First) }); err != nil {
			return err
		}
	}
	return nil
}

// indexJSON is how a segment's index is kept in journal.db.
func indexJSON(s Segment) ([]byte, error) { return json.Marshal(s.Index) }
