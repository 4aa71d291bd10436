package journal

import (
	"sync"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/vfs"
)

// space is SQLite's ordinary file layer, but that it tells a full disk from a broken one. The layer below reports both as
// an I/O error; after the first, recording goes on with the files as they are, after the second they must be opened anew.
type space struct{ under vfs.VFSFilename }

const spaceLayer = "weighpost"

var registerSpace = sync.OnceFunc(func() {
	if under, ok := vfs.Find("").(vfs.VFSFilename); ok {
		vfs.Register(spaceLayer, space{under})
	}
})

func (s space) Open(name string, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	return s.under.Open(name, flags)
}

func (s space) OpenFilename(name *vfs.Filename, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	f, flags, err := s.under.OpenFilename(name, flags)
	below, ok := f.(fullFile)
	if err != nil || !ok {
		return f, flags, full(err)
	}
	return spaceFile{below}, flags, nil
}

func (s space) Delete(name string, syncDir bool) error { return s.under.Delete(name, syncDir) }

func (s space) Access(name string, flags vfs.AccessFlag) (bool, error) {
	return s.under.Access(name, flags)
}

func (s space) FullPathname(name string) (string, error) { return s.under.FullPathname(name) }

// fullFile is what the ordinary layer's files can do, all of which must pass through.
type fullFile interface {
	vfs.FileSharedMemory
	vfs.FileLockState
	vfs.FileHasMoved
	vfs.FileSizeHint
	vfs.FilePersistWAL
	vfs.FilePowersafeOverwrite
}

type spaceFile struct{ fullFile }

func (f spaceFile) WriteAt(p []byte, off int64) (int, error) {
	n, err := f.fullFile.WriteAt(p, off)
	return n, full(err)
}

func (f spaceFile) Truncate(size int64) error { return full(f.fullFile.Truncate(size)) }
func (f spaceFile) SizeHint(size int64) error { return full(f.fullFile.SizeHint(size)) }

func full(err error) error {
	if err != nil && noSpace(err) {
		return vfs.SystemError(err, sqlite3.FULL)
	}
	return err
}
