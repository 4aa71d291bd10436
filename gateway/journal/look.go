package journal

import (
	"io"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/vfs"
)

// look is a file layer that reads a journal nobody has open without leaving a trace: it opens nothing for writing, creates
// nothing, locks nothing, and has no shared memory, so that SQLite builds its index of the WAL in its own memory. A damaged
// journal can so be examined, and refused, exactly as it was found.
type look struct{ under vfs.VFS }

func (l look) Open(name string, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	return nil, flags, sqlite3.CANTOPEN // SQLite calls OpenFilename
}

func (l look) OpenFilename(name *vfs.Filename, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	if flags&(vfs.OPEN_MAIN_DB|vfs.OPEN_WAL) == 0 {
		return nil, flags, sqlite3.CANTOPEN
	}
	flags &^= vfs.OPEN_READWRITE | vfs.OPEN_CREATE | vfs.OPEN_DELETEONCLOSE
	flags |= vfs.OPEN_READONLY
	if there, err := l.under.Access(name.String(), vfs.ACCESS_EXISTS); err == nil && !there && flags&vfs.OPEN_WAL != 0 {
		return lookFile{}, flags, nil
	}
	var f vfs.File
	var err error
	if u, ok := l.under.(vfs.VFSFilename); ok {
		f, _, err = u.OpenFilename(name, flags)
	} else {
		f, _, err = l.under.Open(name.String(), flags)
	}
	if err != nil {
		return nil, flags, err
	}
	if flags&vfs.OPEN_MAIN_DB != 0 {
		f = &readAhead{File: f}
	}
	return lookFile{f}, flags, nil
}

func (l look) Delete(string, bool) error { return sqlite3.READONLY }

func (l look) Access(name string, flags vfs.AccessFlag) (bool, error) {
	return l.under.Access(name, flags)
}

func (l look) FullPathname(name string) (string, error) { return l.under.FullPathname(name) }

// lookFile hides everything of the file below but its content. Without a file below it is empty: a WAL that is not there.
type lookFile struct{ under vfs.File }

func (f lookFile) Close() error {
	if f.under == nil {
		return nil
	}
	return f.under.Close()
}

func (f lookFile) ReadAt(p []byte, off int64) (int, error) {
	if f.under == nil {
		return 0, io.EOF
	}
	return f.under.ReadAt(p, off)
}

func (f lookFile) Size() (int64, error) {
	if f.under == nil {
		return 0, nil
	}
	return f.under.Size()
}

func (lookFile) WriteAt([]byte, int64) (int, error) { return 0, sqlite3.READONLY }
func (lookFile) Truncate(int64) error               { return sqlite3.READONLY }
func (lookFile) Sync(vfs.SyncFlag) error            { return nil }
func (lookFile) Lock(vfs.LockLevel) error           { return nil }
func (lookFile) Unlock(vfs.LockLevel) error         { return nil }
func (lookFile) CheckReservedLock() (bool, error)   { return false, nil }
func (lookFile) SectorSize() int                    { return 4096 }
func (lookFile) DeviceCharacteristics() vfs.DeviceCharacteristic {
	return vfs.IOCAP_SUBPAGE_READ | vfs.IOCAP_POWERSAFE_OVERWRITE
}

// readAhead reads a file in larger pieces than it is asked for: SQLite asks for a page at a time, mostly for the one that
// follows.
type readAhead struct {
	vfs.File
	piece []byte
	off   int64 // of the piece
}

const pieceSize = 32 * pageSize

func (f *readAhead) ReadAt(p []byte, off int64) (int, error) {
	if at := off - f.off; at >= 0 && at+int64(len(p)) <= int64(len(f.piece)) {
		return copy(p, f.piece[at:]), nil
	}
	if len(p) != pageSize || off != f.off+int64(len(f.piece)) { // not the next: nothing to gain
		if off%pageSize == 0 {
			f.piece, f.off = f.piece[:0], off+int64(len(p))
		}
		return f.File.ReadAt(p, off)
	}
	f.off, f.piece = off, append(f.piece[:0], make([]byte, pieceSize)...)
	n, err := f.File.ReadAt(f.piece, off)
	f.piece = f.piece[:n]
	if n < len(p) {
		return copy(p, f.piece), err
	}
	return copy(p, f.piece), nil
}
