package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"
)

// locate says where in its file the row of an entry lies, or would lie if it is missing: file, byte and page. It walks the
// table's B-tree by itself, as "Database File Format" (sqlite.org/fileformat2.html), sections 1.5, 1.6 and 4.4, describes it,
// since SQLite tells no offsets. Damaged pages end the walk where they are. It is for people: "" where it cannot be told.
//
// A page may lie in the WAL and in journal.db, and which of the two SQLite takes depends on what was copied back and who reads:
// the one whose row is damaged is told, else the newer one, in the WAL.
func locate(d disk, dir string, db *sqlite3.Conn, seq uint64) string {
	root := int64(0)
	err := query(db, "SELECT rootpage FROM sqlite_schema WHERE type = 'table' AND name = 'entries'", nil, func(row *sqlite3.Stmt) error {
		root = row.ColumnInt64(0)
		return nil
	})
	if err != nil || root < 1 {
		return ""
	}
	t := bTree{latest: map[uint32]int64{}}
	if t.main, err = d.OpenToRead(in(dir, dbName)); err != nil {
		return ""
	}
	defer t.main.Close()
	if t.wal, err = d.OpenToRead(in(dir, dbName+walSuffix)); err == nil {
		defer t.wal.Close()
		t.readFrames()
	}
	where, state := t.find(uint32(root), seq)
	if len(t.latest) > 0 && state != rowDamaged {
		t.latest = nil
		if w, inMain := t.find(uint32(root), seq); inMain == rowDamaged {
			where = w
		}
	}
	return where
}

// How a row is found.
const (
	rowDamaged = iota
	rowMissing
	rowWhole
)

// bTree reads pages of a database with its WAL.
type bTree struct {
	main, wal readFile
	latest    map[uint32]int64 // page → offset of its last frame's content in the WAL
}

// readFrames notes which pages the WAL holds. Frames of before its last restart have another salt.
func (t *bTree) readFrames() {
	size, err := t.wal.Size()
	var h [walHeader]byte
	if _, bad := t.wal.ReadAt(h[:], 0); err != nil || bad != nil || binary.BigEndian.Uint32(h[8:]) != pageSize {
		return
	}
	var frame [walFrameHeader]byte
	for at := int64(walHeader); at+walFrameHeader+pageSize <= size; at += walFrameHeader + pageSize {
		if _, err := t.wal.ReadAt(frame[:], at); err != nil || string(frame[8:16]) != string(h[16:24]) {
			return
		}
		t.latest[binary.BigEndian.Uint32(frame[:])] = at + walFrameHeader
	}
}

// page reads one page, and says in which file and where it lies.
func (t *bTree) page(n uint32) (content []byte, file string, at int64, err error) {
	from, file, at := t.main, dbName, int64(n-1)*pageSize
	if off, there := t.latest[n]; there {
		from, file, at = t.wal, dbName+walSuffix, off
	}
	content = make([]byte, pageSize)
	if n == 0 {
		return nil, file, 0, errors.New("no page")
	}
	if _, err = from.ReadAt(content, at); err == io.EOF {
		err = errors.New("beyond the end of the file")
	}
	return content, file, at, err
}

const interiorPage, leafPage = 5, 13

// find walks down from a page.
func (t *bTree) find(n uint32, seq uint64) (where string, state int) {
	for range 20 {
		p, file, at, err := t.page(n)
		if err != nil {
			return fmt.Sprintf("page %d of %s (%v)", n, file, err), rowDamaged
		}
		body := p
		if n == 1 {
			body = p[100:]
		}
		cells := int(binary.BigEndian.Uint16(body[3:]))
		switch body[0] {
		case interiorPage:
			if n = childOf(p, body, cells, seq); n > 0 {
				continue
			}
		case leafPage:
			if off, found := cellOf(p, body, cells, seq); found {
				if state = rowWhole; !wholeRow(p[off:]) {
					state = rowDamaged
				}
				return fmt.Sprintf("byte %d of %s, page %d", at+int64(off), file, n), state
			}
			return fmt.Sprintf("page %d of %s, from byte %d on", n, file, at), rowMissing
		}
		return fmt.Sprintf("page %d of %s, from byte %d on", n, file, at), rowDamaged
	}
	return "", rowDamaged
}

// wholeRow says whether the bytes in a row are those whose hash is beside them, as far as all of it lies in this page. A record
// is the size of its header, the type of each column (section 2.1: an even type from 12 on is a blob), and their contents.
func wholeRow(p []byte) bool {
	size, at := sqliteVarint(p)
	var length [3]int
	for i := range length {
		kind, n := sqliteVarint(p[min(at, len(p)):])
		if n == 0 || kind > 1<<24 {
			return false
		}
		if at += n; kind >= 12 {
			length[i] = int(kind-12) / 2
		}
	}
	json := int(size)
	hashes := json + length[1]
	if size > uint64(len(p)) || at != json || length[0] != 0 || hashes+tlog.HashSize > len(p) {
		return at == json // goes on in another page: not known
	}
	leaf := tlog.RecordHash(p[json:hashes])
	return string(leaf[:]) == string(p[hashes:hashes+tlog.HashSize])
}

// childOf gives the page below which a row lies, 0 where the page is not as it should be.
func childOf(p, body []byte, cells int, seq uint64) uint32 {
	for i := range cells {
		if 12+2*i+2 > len(body) {
			return 0
		}
		off := int(binary.BigEndian.Uint16(body[12+2*i:]))
		if off+5 > len(p) {
			return 0
		}
		if key, n := sqliteVarint(p[off+4:]); n == 0 {
			return 0
		} else if seq <= key {
			return binary.BigEndian.Uint32(p[off:])
		}
	}
	return binary.BigEndian.Uint32(body[8:])
}

// cellOf gives the offset of a row's content within its page.
func cellOf(p, body []byte, cells int, seq uint64) (off int, found bool) {
	for i := range cells {
		if 8+2*i+2 > len(body) {
			return 0, false
		}
		off := int(binary.BigEndian.Uint16(body[8+2*i:]))
		if off >= len(p) {
			return 0, false
		}
		_, size := sqliteVarint(p[off:])
		key, n := sqliteVarint(p[off+size:])
		if size > 0 && n > 0 && key == seq {
			return off + size + n, true
		}
	}
	return 0, false
}

// sqliteVarint reads a number of one to nine bytes, big-endian, seven bits each but for the ninth. n is 0 where it has no end.
func sqliteVarint(b []byte) (v uint64, n int) {
	for i := range min(9, len(b)) {
		if i == 8 {
			return v<<8 | uint64(b[i]), 9
		}
		if v = v<<7 | uint64(b[i]&0x7f); b[i] < 0x80 {
			return v, i + 1
		}
	}
	return 0, 0
}
