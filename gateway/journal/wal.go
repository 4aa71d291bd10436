package journal

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"github.com/ncruces/go-sqlite3"
)

// SQLite takes a WAL up to the first frame whose checksum is wrong, and passes over the rest in silence: that is right for a
// write that was cut short, and would shorten the journal when a bit flips in the middle. So the WAL is read here first, as
// "Database File Format" (sqlite.org/fileformat2.html), section 4, describes it: a header of 32 bytes, then frames, each a
// header of 24 bytes and a page. Checksums run from frame to frame, so that a frame can be tried with the checksum that its
// predecessor claims to have, whether that one is whole or not.
//
// Every commit is synced before the next one is begun (synchronous=FULL). Hence a crash leaves at most one commit in pieces,
// and a bad frame with two whole commits of the same salt after it is damage.

const (
	walHeader      = 32
	walFrameHeader = 24
	walMagic       = 0x377f0682 // its last bit says that checksums are of big-endian words
	walVersion     = 3007000
)

// walFound is what a WAL holds.
type walFound struct {
	frames    int   // that are there in full
	bad       int   // the first that is not as written, from 1; 0: none. The header is told by badHeader
	badAt     int64 // its offset
	badHeader bool
	commits   int // whole commits after the bad place
	last      int // the last frame of these
	pageSize  int64
}

// damaged says that this is no write that was cut short.
func (w *walFound) damaged() bool { return w.commits >= 2 }

// place names the bad place.
func (w *walFound) place() string {
	if w.badHeader {
		return "its header"
	}
	return fmt.Sprintf("frame %d of %d, at byte %d", w.bad, w.frames, w.badAt)
}

// readWAL examines the WAL of a journal.db that nobody has open. There may be none.
func readWAL(d disk, dir string) (walFound, error) {
	f, err := d.OpenToRead(in(dir, dbName+walSuffix))
	if errors.Is(err, fs.ErrNotExist) {
		return walFound{}, nil
	}
	if err != nil {
		return walFound{}, err
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return walFound{}, err
	}
	w, err := examineWAL(bufio.NewReaderSize(io.NewSectionReader(f, 0, size), 1<<18))
	if err != nil {
		return w, fmt.Errorf("reading %s: %w", dbName+walSuffix, err)
	}
	return w, nil
}

func examineWAL(r io.Reader) (walFound, error) {
	w := walFound{pageSize: pageSize}
	var h [walHeader]byte
	if _, err := io.ReadFull(r, h[:]); err != nil {
		return w, shortIsEnd(err)
	}
	order, sum, ok := walChecked(h[:])
	size := int64(binary.BigEndian.Uint32(h[8:]))
	if ok = ok && binary.BigEndian.Uint32(h[4:]) == walVersion && size >= 512 && size <= 1<<16 && size&(size-1) == 0; ok {
		w.pageSize = size
	}
	w.badHeader = !ok
	salt := string(h[16:24])
	frame := make([]byte, walFrameHeader+w.pageSize)
	for at := int64(walHeader); ; at += int64(len(frame)) {
		if _, err := io.ReadFull(r, frame); err != nil {
			return w, shortIsEnd(err)
		}
		w.frames++
		if w.badHeader && w.frames == 1 {
			salt = string(frame[8:16]) // what the header said cannot be known
		}
		claimed := walSum{binary.BigEndian.Uint32(frame[16:]), binary.BigEndian.Uint32(frame[20:])}
		whole := string(frame[8:16]) == salt && binary.BigEndian.Uint32(frame) != 0 &&
			sum.add(order, frame[:8]).add(order, frame[walFrameHeader:]) == claimed
		switch {
		case !whole && w.bad == 0:
			w.bad, w.badAt = w.frames, at
		case whole && (w.bad > 0 || w.badHeader) && binary.BigEndian.Uint32(frame[4:]) != 0:
			w.commits, w.last = w.commits+1, w.frames
		}
		sum = claimed
	}
}

// walChecked says whether a header is as it was written, and how checksums run on from it.
func walChecked(h []byte) (binary.ByteOrder, walSum, bool) {
	var order binary.ByteOrder = binary.LittleEndian
	magic := binary.BigEndian.Uint32(h)
	if magic == walMagic|1 {
		order = binary.BigEndian
	}
	claimed := walSum{binary.BigEndian.Uint32(h[24:]), binary.BigEndian.Uint32(h[28:])}
	return order, claimed, magic&^1 == walMagic && walSum{}.add(order, h[:24]) == claimed
}

// walSum is a running checksum, section 4.2.
type walSum [2]uint32

func (s walSum) add(order binary.ByteOrder, b []byte) walSum {
	if order == binary.LittleEndian { // worth a loop of its own: all of our files are such
		for ; len(b) >= 8; b = b[8:] {
			s[0] += binary.LittleEndian.Uint32(b) + s[1]
			s[1] += binary.LittleEndian.Uint32(b[4:]) + s[0]
		}
		return s
	}
	for ; len(b) >= 8; b = b[8:] {
		s[0] += order.Uint32(b) + s[1]
		s[1] += order.Uint32(b[4:]) + s[0]
	}
	return s
}

func shortIsEnd(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil
	}
	return err
}

// refuseWAL says what is wrong with a damaged WAL and which entries are concerned, or "". from is the first of them that
// cannot be had, 0 where that is not known or none is.
func refuseWAL(d disk, dir string, w walFound, head headState) (what string, from uint64) {
	if !w.damaged() {
		return "", 0
	}
	what = fmt.Sprintf("its WAL is damaged: %s of %s is not as it was written. %d commits that were written after it are whole (up "+
		"to frame %d), so that this is no write that was cut short", w.place(), dbName+walSuffix, w.commits, w.last)
	last, err := lastWithout(d, dir)
	switch {
	case err != nil:
		return what + fmt.Sprintf(". Which entries that concerns cannot be told (%v); %d were acknowledged", err, head.seq), 0
	case last < head.seq:
		return what + fmt.Sprintf(". Up to the damage journal.db ends with entry %d, and %d were acknowledged: entries %d to %d are "+
			"concerned", last, head.seq, last+1, head.seq), last + 1
	}
	return what + fmt.Sprintf(". All %d entries that were acknowledged can be read without it", head.seq), 0
}

// lastWithout gives the last entry that SQLite finds with what it takes of the WAL. It reads without leaving a trace.
func lastWithout(d disk, dir string) (last uint64, err error) {
	db, err := openLook(d, in(dir, dbName))
	if err != nil {
		return 0, err
	}
	defer db.Close()
	err = query(db, "SELECT coalesce(max(seq), 0) FROM entries", nil, func(row *sqlite3.Stmt) error {
		last = uint64(max(0, row.ColumnInt64(0)))
		return nil
	})
	return last, err
}
