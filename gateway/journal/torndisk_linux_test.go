package journal

import (
	"context"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"

	"weighpost/gateway/needs"
)

// tornDisk is a file system for another process that, unlike cutDisk, goes through the kernel: what a program writes is
// seen by all at once, and reaches the kept folder only when the program syncs the file. A cut leaves of each file's other
// writes a random number of the first, the last of them torn at a multiple of 512 bytes. Names are kept at once.
//
// Nothing in this process may map a file below dir: the fault of a page would wait for this process itself.
type tornDisk struct {
	dir    string // where it is mounted
	live   string // what programs see, until the cut
	kept   string // what is on the disk
	random *rand.Rand
	server *fuse.Server

	mu    sync.Mutex
	dead  bool
	files map[uint64]*tornData // by the inode in live
}

// tornData is a file's writes since its last sync, and where they go.
type tornData struct {
	kept    *os.File
	pending []cutWrite
}

func newTornDisk(t *testing.T, random *rand.Rand) *tornDisk {
	t.Helper()
	needs.That(t, os.Geteuid() == 0, "root, to mount a file system")
	_, err := os.Stat("/dev/fuse")
	needs.That(t, err == nil, "/dev/fuse")
	at := t.TempDir()
	d := &tornDisk{dir: filepath.Join(at, "disk"), live: filepath.Join(at, "live"), kept: filepath.Join(at, "kept"), random: random}
	must(t, os.Mkdir(d.dir, 0o755))
	must(t, os.Mkdir(d.kept, 0o755))
	d.mount(t)
	t.Cleanup(func() {
		if d.server != nil {
			must(t, d.unmount())
		}
	})
	return d
}

// mount shows what is on the disk.
func (d *tornDisk) mount(t *testing.T) {
	t.Helper()
	must(t, os.RemoveAll(d.live))
	must(t, os.CopyFS(d.live, os.DirFS(d.kept)))
	var st syscall.Stat_t
	must(t, syscall.Stat(d.live, &st))
	d.dead, d.files = false, map[uint64]*tornData{}
	root := &fs.LoopbackRoot{Path: d.live, Dev: uint64(st.Dev)}
	root.RootNode = &tornNode{LoopbackNode: &fs.LoopbackNode{RootData: root}, d: d}
	server, err := fs.Mount(d.dir, root.RootNode, &fs.Options{MountOptions: fuse.MountOptions{DirectMount: true, FsName: "weighpost-test"}})
	needs.That(t, err == nil, "the right to mount a FUSE file system")
	d.server = server
}

func (d *tornDisk) unmount() error {
	err := d.server.Unmount()
	if err == nil {
		d.server.Wait()
		d.server = nil
	}
	return err
}

// cut stops every change where it stands.
func (d *tornDisk) cut() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.dead = true
}

// reboot is the disk after its power was cut, and came back. Nobody may have a file open any more.
func (d *tornDisk) reboot(t *testing.T) {
	t.Helper()
	must(t, d.unmount())
	for _, f := range d.files {
		part := f.pending[:d.random.IntN(len(f.pending)+1)]
		for i, w := range part {
			if i == len(part)-1 && w.data != nil {
				w.data = w.data[:d.random.IntN(len(w.data)/sector+1)*sector]
			}
			must(t, w.apply(f.kept))
		}
		must(t, f.kept.Close())
	}
	d.mount(t)
}

func (w cutWrite) apply(to *os.File) error {
	if w.data == nil {
		return to.Truncate(w.off)
	}
	_, err := to.WriteAt(w.data, w.off)
	return err
}

// change does one thing to the disk unless its power is gone.
func (d *tornDisk) change(do func() syscall.Errno) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return syscall.EIO
	}
	return do()
}

// file gives what is kept of a file that is seen at path. The caller holds the lock.
func (d *tornDisk) file(ino uint64, path string) (*tornData, syscall.Errno) {
	if f := d.files[ino]; f != nil {
		return f, 0
	}
	kept, err := os.OpenFile(filepath.Join(d.kept, path), os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fs.ToErrno(err)
	}
	d.files[ino] = &tornData{kept: kept}
	return d.files[ino], 0
}

// forget drops what waits for a file that loses its name.
func (d *tornDisk) forget(path string) {
	var st syscall.Stat_t
	if syscall.Lstat(filepath.Join(d.live, path), &st) != nil {
		return
	}
	if f := d.files[st.Ino]; f != nil {
		f.kept.Close()
		delete(d.files, st.Ino)
	}
}

// tornNode is a file or folder of a tornDisk.
type tornNode struct {
	*fs.LoopbackNode
	d *tornDisk
}

func (n *tornNode) WrapChild(_ context.Context, child fs.InodeEmbedder) fs.InodeEmbedder {
	return &tornNode{LoopbackNode: child.(*fs.LoopbackNode), d: n.d}
}

func (n *tornNode) at(name string) string { return filepath.Join(n.Path(n.Root()), name) }

// note remembers a write or, with nil, a truncation.
func (n *tornNode) note(off int64, data []byte) syscall.Errno {
	f, errno := n.d.file(n.StableAttr().Ino, n.at(""))
	if errno == 0 {
		f.pending = append(f.pending, cutWrite{off, data})
	}
	return errno
}

func (n *tornNode) Write(ctx context.Context, h fs.FileHandle, data []byte, off int64) (written uint32, errno syscall.Errno) {
	errno = n.d.change(func() (errno syscall.Errno) {
		if written, errno = h.(fs.FileWriter).Write(ctx, data, off); errno == 0 {
			errno = n.note(off, append(make([]byte, 0, written), data[:written]...))
		}
		return errno
	})
	return written, errno
}

func (n *tornNode) Setattr(ctx context.Context, h fs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	return n.d.change(func() syscall.Errno {
		errno := n.LoopbackNode.Setattr(ctx, h, in, out)
		if size, cuts := in.GetSize(); cuts && errno == 0 {
			errno = n.note(int64(size), nil)
		}
		return errno
	})
}

func (n *tornNode) Fsync(_ context.Context, h fs.FileHandle, _ uint32) syscall.Errno {
	return n.d.change(func() syscall.Errno {
		f, errno := n.d.file(n.StableAttr().Ino, n.at(""))
		if errno != 0 {
			return errno
		}
		for _, w := range f.pending {
			if err := w.apply(f.kept); err != nil {
				return fs.ToErrno(err)
			}
		}
		f.pending = nil
		return 0
	})
}

func (n *tornNode) Create(ctx context.Context, name string, flags, mode uint32, out *fuse.EntryOut) (in *fs.Inode, h fs.FileHandle, with uint32, errno syscall.Errno) {
	errno = n.d.change(func() syscall.Errno {
		if in, h, with, errno = n.LoopbackNode.Create(ctx, name, flags, mode, out); errno != 0 {
			return errno
		}
		_, errno = n.d.file(in.StableAttr().Ino, n.at(name))
		return errno
	})
	return in, through(h), with, errno
}

func (n *tornNode) Open(ctx context.Context, flags uint32) (h fs.FileHandle, with uint32, errno syscall.Errno) {
	errno = n.d.change(func() syscall.Errno {
		if h, with, errno = n.LoopbackNode.Open(ctx, flags); errno == 0 && flags&syscall.O_TRUNC != 0 {
			errno = n.note(0, nil)
		}
		return errno
	})
	return through(h), with, errno
}

// handle is an open file whose reads and writes the kernel must not send past us.
type handle struct{ *fs.LoopbackFile }

func (handle) PassthroughFd() (int, bool) { return 0, false }

func through(h fs.FileHandle) fs.FileHandle {
	if f, ok := h.(*fs.LoopbackFile); ok {
		return handle{f}
	}
	return h
}

// both does to the kept names what is done to those that are seen.
func (n *tornNode) both(seen func() syscall.Errno, kept func(dir string) error) syscall.Errno {
	return n.d.change(func() syscall.Errno {
		if errno := seen(); errno != 0 {
			return errno
		}
		return fs.ToErrno(kept(n.d.kept))
	})
}

func (n *tornNode) Mkdir(ctx context.Context, name string, mode uint32, out *fuse.EntryOut) (in *fs.Inode, errno syscall.Errno) {
	errno = n.both(func() syscall.Errno {
		in, errno = n.LoopbackNode.Mkdir(ctx, name, mode, out)
		return errno
	}, func(dir string) error { return os.Mkdir(filepath.Join(dir, n.at(name)), os.FileMode(mode)) })
	return in, errno
}

func (n *tornNode) Rename(ctx context.Context, name string, to fs.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	next := to.(*tornNode).at(newName)
	return n.both(func() syscall.Errno {
		n.d.forget(next)
		return n.LoopbackNode.Rename(ctx, name, to, newName, flags)
	}, func(dir string) error { return os.Rename(filepath.Join(dir, n.at(name)), filepath.Join(dir, next)) })
}

func (n *tornNode) Unlink(ctx context.Context, name string) syscall.Errno {
	return n.both(func() syscall.Errno {
		n.d.forget(n.at(name))
		return n.LoopbackNode.Unlink(ctx, name)
	}, func(dir string) error { return os.Remove(filepath.Join(dir, n.at(name))) })
}

func (n *tornNode) Rmdir(ctx context.Context, name string) syscall.Errno {
	return n.both(func() syscall.Errno { return n.LoopbackNode.Rmdir(ctx, name) },
		func(dir string) error { return os.Remove(filepath.Join(dir, n.at(name))) })
}

// Nothing but Write and Setattr may change what is in a file.
func (n *tornNode) Allocate(context.Context, fs.FileHandle, uint64, uint64, uint32) syscall.Errno {
	return syscall.ENOTSUP
}

func (n *tornNode) CopyFileRange(context.Context, fs.FileHandle, uint64, *fs.Inode, fs.FileHandle, uint64, uint64, uint64) (uint32, syscall.Errno) {
	return 0, syscall.ENOTSUP
}
