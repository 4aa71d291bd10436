package journal

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"regexp"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
	"weighpost/gateway/segment"
)

// segmentsName is the folder within a journal's where its segments are.
const segmentsName = "segments"

// segmentFile and descriptionFile are the forms of names of segments and of what lies beside them: site, incarnation, first and
// last entry. What journal.db says becomes part of a path, and journal.db may have been edited.
var (
	segmentFile     = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,126}-[0-9]{12,20}-[0-9]{12,20}\.ndjson\.gz$`)
	descriptionFile = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,126}-[0-9]{12,20}-[0-9]{12,20}\.segment\.json$`)
)

// Segment is a span of entries whose bytes are in a file of their own. Their hashes stay in journal.db.
type Segment struct {
	segment.Index
	File    string `json:"file"`    // its name in the folder segments
	Sealed  uint64 `json:"sealed"`  // the entry that says so, and where copies are
	Dropped uint64 `json:"dropped"` // entries up to this one are only there; First-1 as long as none is
}

const segmentColumns = "SELECT first, last, sealed, dropped, file, members FROM segments "

// segments reads rows of the table, those that a condition picks.
func segments(db *sqlite3.Conn, where string, args ...int64) (list []Segment, err error) {
	err = query(db, segmentColumns+where, args, func(row *sqlite3.Stmt) error {
		s := Segment{Sealed: uint64(row.ColumnInt64(2)), Dropped: uint64(row.ColumnInt64(3)), File: row.ColumnText(4)}
		first, last := uint64(row.ColumnInt64(0)), uint64(row.ColumnInt64(1))
		if err := json.Unmarshal(row.ColumnRawBlob(5), &s.Index); err != nil {
			return fmt.Errorf("the index of the segment of entries %d to %d cannot be read: %w", first, last, err)
		}
		if s.First != first || s.Last != last || !segmentFile.MatchString(s.File) {
			return fmt.Errorf("the table of segments says %q of entries %d to %d, and its index %d to %d", s.File, first, last, s.First, s.Last)
		}
		if err := s.Check(); err != nil {
			return fmt.Errorf("the segment of entries %d to %d: %w", first, last, err)
		}
		list = append(list, s)
		return nil
	})
	return list, err
}

// SegmentFault says that the bytes of an entry could not be had from the segment that holds them. Nothing else is touched by
// it: entries elsewhere are read, and recording goes on.
type SegmentFault struct {
	Dir, File   string // the journal's folder, and the segment's name in its folder segments
	First, Last uint64 // entries of the segment
	Seq         uint64 // the entry that was wanted
	What        string // what is wrong with the file
	Remedy      string // a sentence: where copies were put, as the entry that sealed it says, or what else helps
}

func (f *SegmentFault) Error() string {
	return fmt.Sprintf("entry %d is in the segment %s (entries %d to %d), which %s. %s. "+
		"All other entries can be read", f.Seq, in(in(f.Dir, segmentsName), f.File), f.First, f.Last, f.What, f.Remedy)
}

// sealed reads the bytes of entries that are in segments. It belongs to one reader and is cheap to make.
type sealed struct {
	disk disk
	dir  string   // the journal's
	from []string // folders with segments, the journal's own first
	db   *sqlite3.Conn

	row   *Segment // of the file that is open, or was last
	place int      // in from, of the file that is open
	file  readFile
	r     *segment.Reader
	next  uint64 // what r gives next
	bad   error  // why entries up to badTo cannot be had
	badTo uint64
	help  string // what to do about the segment at hand, once it was looked up
}

// newSealed looks into the folder segments of a journal, and then into others that are named.
func newSealed(d disk, dir string, db *sqlite3.Conn, others ...string) *sealed {
	s := &sealed{disk: d, dir: dir, db: db, from: []string{in(dir, segmentsName)}}
	for _, o := range others {
		if o != "" {
			s.from = append(s.from, o)
		}
	}
	return s
}

// entry gives the bytes of an entry whose row holds none, if they are those whose hash was kept.
func (s *sealed) entry(seq uint64, hashes []byte) ([]byte, error) {
	if err := s.find(seq); err != nil {
		return nil, err
	}
	if s.bad != nil && seq <= s.badTo {
		return nil, s.fault(seq, s.bad)
	}
	s.bad = nil
	var first error
	for range s.from {
		raw, err := s.get(seq)
		if err == nil {
			if leaf := tlog.RecordHash(raw); len(hashes) >= len(leaf) && string(hashes[:len(leaf)]) == string(leaf[:]) {
				return append([]byte(nil), raw...), nil
			}
			err = errors.New("holds other bytes for it than were recorded (leaf hash differs)")
		}
		if first == nil {
			first = err
		}
		if len(s.from) > 1 {
			s.close()
			s.place = (s.place + 1) % len(s.from)
		}
	}
	return nil, s.fault(seq, first)
}

// find has the segment at hand that holds an entry.
func (s *sealed) find(seq uint64) error {
	if s.row != nil && s.row.First <= seq && seq <= s.row.Last {
		return nil
	}
	s.close()
	s.row, s.place, s.bad, s.help = nil, 0, nil, ""
	list, err := segments(s.db, "WHERE first <= ? ORDER BY first DESC LIMIT 1", int64(seq))
	if err != nil {
		return &Damaged{s.dir, err.Error()}
	}
	if len(list) == 0 || list[0].Last < seq {
		return &Damaged{s.dir, fmt.Sprintf("entry %d has lost its bytes, and no segment holds them", seq)}
	}
	s.row = &list[0]
	return nil
}

// get reads an entry from the file that is open, or opens it at that entry. A file that cannot be read from somewhere in a
// member on is not tried again up to the member's end.
func (s *sealed) get(seq uint64) ([]byte, error) {
	if s.r == nil || s.next != seq {
		if err := s.open(seq); err != nil {
			return nil, err
		}
	}
	raw, err := s.r.Next()
	if err == nil {
		s.next++
		return raw, nil
	}
	s.r = nil
	if err == io.EOF {
		err = errors.New("ends too early")
	}
	if len(s.from) == 1 {
		_, s.badTo = s.row.Around(seq)
		s.bad = err
	}
	return nil, err
}

func (s *sealed) open(seq uint64) (err error) {
	s.close()
	name := in(s.from[s.place], s.row.File)
	s.file, err = s.disk.OpenToRead(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = errors.New("is missing")
	case err != nil:
		err = fmt.Errorf("cannot be opened: %w", err)
	default:
		if size, wrong := s.file.Size(); wrong != nil {
			err = fmt.Errorf("cannot be read: %w", wrong)
		} else if size != s.row.Bytes {
			err = fmt.Errorf("has %d bytes and was written with %d", size, s.row.Bytes)
		}
	}
	if err == nil {
		s.r, err = s.row.From(s.file, seq-1)
		if err != nil && len(s.from) == 1 {
			_, s.badTo = s.row.Around(seq)
			s.bad = err
		}
	}
	s.next = seq
	return err
}

func (s *sealed) fault(seq uint64, cause error) error {
	what := cause.Error()
	if errors.As(cause, new(*segment.Fault)) {
		what = "is damaged: " + what
	}
	if s.help == "" { // the same for each of its entries, of which there may be 50,000
		s.help = s.remedy()
	}
	return &SegmentFault{Dir: s.dir, File: s.row.File, First: s.row.First, Last: s.row.Last, Seq: seq, What: what, Remedy: s.help}
}

// remedy says what to do about the segment that is at hand: where it was copied to, or that only a backup has its entries. A
// backup holds entries and no files of segments, so that nothing can be copied back from one.
func (s *sealed) remedy() string {
	elsewhere := fmt.Sprintf("Copy it back from where entry %d says that it was copied to", s.row.Sealed)
	var raw []byte
	err := query(s.db, "SELECT json FROM entries WHERE seq = ?", []int64{int64(s.row.Sealed)}, func(row *sqlite3.Stmt) error {
		raw = row.ColumnBlob(0, nil)
		return nil
	})
	var said record.Sealed
	if err != nil || len(raw) == 0 || json.Unmarshal(raw, &said) != nil || said.File != s.row.File {
		return elsewhere
	}
	var places []string
	for _, c := range said.Copies {
		places = append(places, c.Where)
	}
	if len(places) == 0 {
		return "It was copied nowhere else: put the newest backup, which holds these entries too, in the place of this journal " +
			"(weighpost backup restore)"
	}
	return "Copy it back from " + strings.Join(places, " or ")
}

// baseName keeps a name that was read somewhere within its folder.
func baseName(name string) string {
	if segmentFile.MatchString(name) || descriptionFile.MatchString(name) {
		return name
	}
	return "no-name-of-a-segment"
}

// close closes the file that is open. The segment stays at hand.
func (s *sealed) close() {
	if s.file != nil {
		_ = s.file.Close() // it was read only
	}
	s.file, s.r = nil, nil
}
