package journal

import (
	"errors"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/vfs"
)

// cutDisk is a disk in memory whose power can be cut. What was written and not synced is then kept in part: of each file a
// random subset of the 512-byte sectors written since its last sync, in any combination, so that writes are lost, torn and
// reordered. Names (made, renamed, removed files) are durable at once, as on a file system that logs them.
type cutDisk struct {
	name   string // of its file layer
	shmDir string // for SQLite's index of the WAL, which is no file of ours and does not outlive a cut

	mu     sync.Mutex
	random *rand.Rand
	files  map[string]*cutData
	ops    int // writes, truncations and syncs so far
	cutAt  int // the operation at which power goes; 0: never
	dead   bool
}

const sector = 512

var errPower = errors.New("no power")

// cutData is one file: as programs see it, as it is on the disk, and the writes between the two.
type cutData struct {
	now, kept []byte
	pending   []cutWrite

	lockMu                      sync.Mutex
	shared                      int
	reserved, pendingLock, sole bool
}

type cutWrite struct {
	off  int64
	data []byte // nil: a truncation to off
}

func newCutDisk(name, shmDir string, random *rand.Rand) *cutDisk {
	d := &cutDisk{name: name, shmDir: shmDir, random: random, files: map[string]*cutData{}}
	d.plug()
	return d
}

func (d *cutDisk) plug() {
	vfs.Register(d.name, cutVFS{d})
	vfs.Register(d.name+"-look", look{cutVFS{d}})
}

func (d *cutDisk) unplug() {
	vfs.Unregister(d.name)
	vfs.Unregister(d.name + "-look")
}

// reboot is the disk after its power was cut, and came back.
func (d *cutDisk) reboot(shmDir string) *cutDisk {
	d.unplug()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.dead = true
	next := &cutDisk{name: d.name, shmDir: shmDir, random: d.random, files: map[string]*cutData{}}
	for _, name := range slices.Sorted(maps.Keys(d.files)) {
		f := d.files[name]
		chance := [...]float64{0, 0.5, 0.9, 1, d.random.Float64()}[d.random.IntN(5)]
		for _, w := range f.pending {
			f.keepPart(w, d.random, chance)
		}
		next.files[name] = &cutData{now: slices.Clone(f.kept), kept: slices.Clone(f.kept)}
	}
	next.plug()
	return next
}

// keepPart lets each sector of a write reach the disk by chance.
func (f *cutData) keepPart(w cutWrite, random *rand.Rand, chance float64) {
	if w.data == nil {
		if random.Float64() < chance {
			f.kept = resize(f.kept, w.off)
		}
		return
	}
	for len(w.data) > 0 {
		n := min(int64(len(w.data)), sector-w.off%sector)
		if random.Float64() < chance {
			f.kept = put(f.kept, w.data[:n], w.off)
		}
		w.off, w.data = w.off+n, w.data[n:]
	}
}

func resize(b []byte, size int64) []byte {
	if size <= int64(len(b)) {
		return b[:size]
	}
	return append(b, make([]byte, size-int64(len(b)))...)
}

func put(b, data []byte, off int64) []byte {
	if end := off + int64(len(data)); end > int64(len(b)) {
		b = resize(b, end)
	}
	copy(b[off:], data)
	return b
}

// op counts one operation and says whether power is there. At the cut the operation itself still begins: a write leaves
// its sectors pending, a sync may have done its work or not.
func (d *cutDisk) op() (last bool, err error) {
	if d.dead {
		return false, errPower
	}
	d.ops++
	if d.ops == d.cutAt {
		d.dead = true
		return true, nil
	}
	return false, nil
}

func (d *cutDisk) write(f *cutData, w cutWrite) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	last, err := d.op()
	if err != nil {
		return err
	}
	if w.data != nil {
		w.data = slices.Clone(w.data)
		f.now = put(f.now, w.data, w.off)
	} else {
		f.now = resize(f.now, w.off)
	}
	f.pending = append(f.pending, w)
	if last {
		return errPower
	}
	return nil
}

func (d *cutDisk) sync(f *cutData) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	last, err := d.op()
	if err != nil {
		return err
	}
	if !last || d.random.IntN(2) == 0 {
		for _, w := range f.pending {
			f.keepPart(w, d.random, 2)
		}
		f.pending = nil
	}
	if last {
		return errPower
	}
	return nil
}

func (d *cutDisk) readAt(f *cutData, p []byte, off int64) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return 0, errPower
	}
	if off >= int64(len(f.now)) {
		return 0, io.EOF
	}
	n := copy(p, f.now[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (d *cutDisk) size(f *cutData) (int64, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return int64(len(f.now)), nil
}

func (d *cutDisk) find(name string, create bool) (*cutData, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return nil, errPower
	}
	f := d.files[name]
	if f == nil {
		if !create {
			return nil, fs.ErrNotExist
		}
		f = &cutData{}
		d.files[name] = f
	}
	return f, nil
}

// The journal's side of the disk.

func (d *cutDisk) ReadFile(name string) ([]byte, error) {
	f, err := d.find(name, false)
	if err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(f.now), nil
}

func (d *cutDisk) Open(name string, _ fs.FileMode) (diskFile, error) {
	f, err := d.find(name, true)
	return cutPlain{&cutHandle{disk: d, data: f}}, err
}

func (d *cutDisk) OpenToRead(name string) (readFile, error) {
	f, err := d.find(name, false)
	if err != nil {
		return nil, err
	}
	return &cutHandle{disk: d, data: f}, nil
}

func (d *cutDisk) Exists(name string) (bool, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return false, errPower
	}
	return len(d.under(name)) > 0, nil
}

// Rename renames a file, or a folder with all that is in it.
func (d *cutDisk) Rename(from, to string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	moved := d.under(from)
	if len(moved) == 0 {
		return fs.ErrNotExist
	}
	last, err := d.op()
	if err != nil {
		return err
	}
	if !last || d.random.IntN(2) == 0 {
		for _, name := range moved {
			d.files[to+strings.TrimPrefix(name, from)] = d.files[name]
			delete(d.files, name)
		}
	}
	if last {
		return errPower
	}
	return nil
}

// under lists a file, or those in a folder.
func (d *cutDisk) under(name string) (list []string) {
	for file := range d.files {
		if file == name || strings.HasPrefix(file, name+string(filepath.Separator)) {
			list = append(list, file)
		}
	}
	return list
}

func (d *cutDisk) RemoveAll(name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return errPower
	}
	maps.DeleteFunc(d.files, func(file string, _ *cutData) bool {
		return file == name || strings.HasPrefix(file, name+string(filepath.Separator))
	})
	return nil
}

func (d *cutDisk) Mkdir(string) error   { return nil }
func (d *cutDisk) SyncDir(string) error { return nil }
func (d *cutDisk) Layer() string        { return d.name }
func (d *cutDisk) Look() string         { return d.name + "-look" }

// SQLite's side.

type cutVFS struct{ disk *cutDisk }

func (v cutVFS) Open(name string, flags vfs.OpenFlag) (vfs.File, vfs.OpenFlag, error) {
	f, err := v.disk.find(name, flags&vfs.OPEN_CREATE != 0)
	if err != nil {
		return nil, flags, sqlite3.CANTOPEN
	}
	shm := vfs.NewSharedMemory(filepath.Join(v.disk.shmDir, filepath.Base(name)+"-shm"), flags)
	return &cutHandle{disk: v.disk, data: f, shm: shm}, flags, nil
}

func (v cutVFS) Delete(name string, _ bool) error {
	if there, err := v.disk.Exists(name); err != nil || !there {
		return errors.Join(err, sqlite3.IOERR_DELETE_NOENT)
	}
	return v.disk.RemoveAll(name)
}

func (v cutVFS) Access(name string, _ vfs.AccessFlag) (bool, error) { return v.disk.Exists(name) }
func (v cutVFS) FullPathname(name string) (string, error)           { return name, nil }

type cutHandle struct {
	disk *cutDisk
	data *cutData
	shm  vfs.SharedMemory
	lock vfs.LockLevel
}

func (h *cutHandle) Close() error {
	if h.shm != nil {
		_ = h.shm.Close()
	}
	return h.Unlock(vfs.LOCK_NONE)
}

func (h *cutHandle) ReadAt(p []byte, off int64) (int, error) { return h.disk.readAt(h.data, p, off) }
func (h *cutHandle) Size() (int64, error)                    { return h.disk.size(h.data) }
func (h *cutHandle) Truncate(size int64) error               { return h.disk.write(h.data, cutWrite{off: size}) }
func (h *cutHandle) SectorSize() int                         { return sector }
func (h *cutHandle) SharedMemory() vfs.SharedMemory          { return h.shm }
func (h *cutHandle) LockState() vfs.LockLevel                { return h.lock }

func (h *cutHandle) WriteAt(p []byte, off int64) (int, error) {
	if err := h.disk.write(h.data, cutWrite{off, p}); err != nil {
		return 0, err
	}
	return len(p), nil
}

// DeviceCharacteristics are those of the ordinary layer: a write does not touch the bytes beside it.
func (h *cutHandle) DeviceCharacteristics() vfs.DeviceCharacteristic {
	return vfs.IOCAP_SUBPAGE_READ | vfs.IOCAP_POWERSAFE_OVERWRITE
}

// Lock is SQLite's ladder of locks among the connections of this process.
func (h *cutHandle) Lock(level vfs.LockLevel) error {
	if h.lock >= level {
		return nil
	}
	d := h.data
	d.lockMu.Lock()
	defer d.lockMu.Unlock()
	switch level {
	case vfs.LOCK_SHARED:
		if d.pendingLock || d.sole {
			return sqlite3.BUSY
		}
		d.shared++
	case vfs.LOCK_RESERVED:
		if d.reserved {
			return sqlite3.BUSY
		}
		d.reserved = true
	case vfs.LOCK_EXCLUSIVE:
		if d.sole || d.pendingLock && h.lock < vfs.LOCK_PENDING {
			return sqlite3.BUSY
		}
		d.pendingLock = true
		h.lock = max(h.lock, vfs.LOCK_PENDING)
		if d.shared > 1 {
			return sqlite3.BUSY
		}
		d.sole = true
	}
	h.lock = level
	return nil
}

func (h *cutHandle) Unlock(level vfs.LockLevel) error {
	if h.lock <= level {
		return nil
	}
	d := h.data
	d.lockMu.Lock()
	defer d.lockMu.Unlock()
	if h.lock >= vfs.LOCK_RESERVED {
		d.reserved = false
	}
	if h.lock >= vfs.LOCK_PENDING {
		d.pendingLock = false
	}
	if h.lock >= vfs.LOCK_EXCLUSIVE {
		d.sole = false
	}
	if level < vfs.LOCK_SHARED {
		d.shared--
	}
	h.lock = level
	return nil
}

func (h *cutHandle) CheckReservedLock() (bool, error) {
	h.data.lockMu.Lock()
	defer h.data.lockMu.Unlock()
	return h.data.reserved, nil
}

func (h *cutHandle) Sync(vfs.SyncFlag) error { return h.disk.sync(h.data) }

// cutPlain is a file as the journal itself has it.
type cutPlain struct{ *cutHandle }

func (p cutPlain) Sync() error { return p.disk.sync(p.data) }
