package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"weighpost/gateway/record"
)

// SegmentsReport is what Verify found of the sealed spans of a journal.
type SegmentsReport struct {
	Segments uint64   `json:"segments"`
	Entries  uint64   `json:"entries"`  // whose bytes are only there
	Bad      []string `json:"bad"`      // files that are missing, or not as they were written; the first 20
	More     uint64   `json:"more_bad"` // beyond those in Bad
}

// sealedSpans is what a verifier gathers on its way, until it can hold the segments against it.
type sealedSpans struct {
	source *sealed
	said   map[string]record.Sealed // by file: what the entries say
	told   map[string]bool          // files whose fault was reported
	gone   [2]uint64                // the run of entries whose bytes nothing holds, the last such
}

func (s *sealedSpans) close() {
	if s.source != nil {
		s.source.close()
	}
}

// sealedBytes gives the bytes of an entry whose row holds none, or nil where they cannot be had: then it is reported, once a
// segment.
func (v *verifier) sealedBytes(seq uint64, stored []byte) []byte {
	if v.spans.source == nil {
		v.spans.source = newSealed(v.disk, v.dir, v.db, v.segments)
	}
	v.report.Sealed.Entries++
	raw, err := v.spans.source.entry(seq, stored)
	var lost *SegmentFault
	switch {
	case err == nil:
		return raw
	case errors.As(err, &lost):
		v.badSegment(seq, lost.File, err.Error())
	default:
		v.bytesGone(seq, whatOf(err))
	}
	return nil
}

// bytesGone reports an entry that has no bytes and is in no segment, once for as many as follow each other.
func (v *verifier) bytesGone(seq uint64, what string) {
	if g := &v.spans.gone; g[1] != 0 && seq == g[1]+1 {
		g[1] = seq
		return
	}
	v.endGone()
	v.spans.gone = [2]uint64{seq, seq}
	v.report.fault(seq, FaultEdited, "its bytes are gone from journal.db: %s", what)
}

// endGone says how far the last run went.
func (v *verifier) endGone() {
	g := v.spans.gone
	for i := range v.report.Faults {
		if f := &v.report.Faults[i]; g[1] > g[0] && f.Seq == g[0] && f.Kind == FaultEdited {
			f.What += fmt.Sprintf(" (and so on up to entry %d)", g[1])
		}
	}
	v.spans.gone = [2]uint64{}
}

// whatOf is the sentence of a damage, without what to do about a journal that is damaged as a whole.
func whatOf(err error) string {
	var d *Damaged
	if errors.As(err, &d) {
		return d.What
	}
	return err.Error()
}

func (v *verifier) badSegment(seq uint64, file, what string) {
	if v.spans.told[file] {
		return
	}
	if v.spans.told == nil {
		v.spans.told = map[string]bool{}
	}
	v.spans.told[file] = true
	s := &v.report.Sealed
	if len(s.Bad) < maxFaults {
		s.Bad = append(s.Bad, file)
	} else {
		s.More++
	}
	v.report.fault(seq, FaultSegment, "%s", what)
}

// sealedSays takes an entry that tells of a segment.
func (v *verifier) sealedSays(e record.Entry) {
	var said record.Sealed
	if err := json.Unmarshal(e.JSON, &said); err != nil {
		v.report.fault(e.Seq, FaultSegment, "it tells of a segment, and cannot be read: %v", err)
		return
	}
	if v.spans.said == nil {
		v.spans.said = map[string]record.Sealed{}
	}
	v.spans.said[said.File] = said
}

// endSegments holds the table of segments, the entries that tell of them and the files against each other.
func (v *verifier) endSegments() {
	v.endGone()
	if v.report.Version < segmentsSince {
		return
	}
	list, err := segments(v.db, "ORDER BY first")
	if err != nil {
		v.report.fault(0, FaultSegment, "the table of segments cannot be read: %v", err)
		return
	}
	last := uint64(0)
	for i := range list {
		s := &list[i]
		v.report.Sealed.Segments++
		if what := v.wrongRow(s, last); what != "" {
			v.report.fault(s.First, FaultSegment, "%s", what)
		}
		last = max(last, s.Last)
		v.segmentFiles(s)
	}
}

// wrongRow says what in the table of segments cannot be, or "".
func (v *verifier) wrongRow(s *Segment, before uint64) string {
	said, there := v.spans.said[s.File]
	switch {
	case s.First <= before:
		return fmt.Sprintf("the segment %s begins within the one before it", s.File)
	case s.Last > v.tree.size || s.Dropped > s.Last || s.Dropped+1 < s.First:
		return fmt.Sprintf("the table of segments says that entries up to %d are only in %s, of entries %d to %d",
			s.Dropped, s.File, s.First, s.Last)
	case !there && v.gaps:
		return "" // it may be told by an entry that could not be read
	case !there:
		return fmt.Sprintf("the table of segments names %s, and no entry tells of it", s.File)
	case said.Seq != s.Sealed || said.First != s.First || said.Last != s.Last || said.SHA256 != s.SHA256 || said.Bytes != s.Bytes:
		return fmt.Sprintf("the table of segments does not say of %s what entry %d says", s.File, said.Seq)
	}
	return ""
}

// segmentFiles holds the files of a segment against the hashes that were recorded.
func (v *verifier) segmentFiles(s *Segment) {
	said := v.spans.said[s.File]
	if what := v.wrongFile(s.File, s.SHA256); what != "" {
		f := SegmentFault{Dir: v.dir, File: s.File, First: s.First, Last: s.Last, Seq: s.First, What: what,
			Remedy: v.remedyOf(s)}
		v.badSegment(s.First, s.File, f.Error())
		return
	}
	if said.Description == "" {
		return
	}
	if what := v.wrongFile(said.Description, said.DescriptionSHA256); what != "" {
		v.badSegment(s.First, said.Description, fmt.Sprintf("the file %s, which ties the segment of entries %d to %d to its checkpoint, %s. "+
			"%s", in(in(v.dir, segmentsName), said.Description), s.First, s.Last, what, v.remedyOf(s)))
	}
}

func (v *verifier) remedyOf(s *Segment) string {
	source := newSealed(v.disk, v.dir, v.db)
	source.row = s
	return source.remedy()
}

// wrongFile says what is wrong with a file in the folder segments, or in the other one that was named, or "".
func (v *verifier) wrongFile(name, sum string) string {
	what := v.wrongSum(in(v.dir, segmentsName), name, sum)
	if what != "" && v.segments != "" {
		what = v.wrongSum(v.segments, name, sum)
	}
	return what
}

func (v *verifier) wrongSum(dir, name, sum string) string {
	f, err := v.disk.OpenToRead(in(dir, baseName(name)))
	if errors.Is(err, fs.ErrNotExist) {
		return "is missing"
	}
	if err != nil {
		return fmt.Sprintf("cannot be opened: %v", err)
	}
	defer f.Close()
	have, err := sumOf(f)
	switch {
	case err != nil:
		return fmt.Sprintf("cannot be read: %v", err)
	case have != sum:
		return "holds other bytes than were written (SHA-256 differs)"
	}
	return ""
}

// sumOf gives the SHA-256 of a file as sha256sum prints it.
func sumOf(f readFile) (string, error) {
	size, err := f.Size()
	if err != nil {
		return "", err
	}
	return hashReader(io.NewSectionReader(f, 0, size))
}

func hashReader(r io.Reader) (string, error) {
	h := sha256.New()
	if _, err := io.Copy(h, r); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// segmentsText tells of sealed spans, where there are some.
func (r *Report) segmentsText(line func(name, format string, args ...any)) {
	if r.Sealed.Segments == 0 {
		return
	}
	bad := uint64(len(r.Sealed.Bad)) + r.Sealed.More
	line("segments", "%d, with %d entries that are only there; %d files missing or not as they were written",
		r.Sealed.Segments, r.Sealed.Entries, bad)
}

// SegmentsFrom names a folder in which segments are looked for that the journal's own folder lacks, or has damaged.
func SegmentsFrom(dir string) VerifyOption { return func(v *verifier) { v.segments = dir } }
