package endure

import (
	"context"
	"os"
	"path/filepath"
	"strings"

	"sync"
	"syscall"
	"testing"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"

	"weighpost/gateway/needs"
)

// failDisk is a file system for another process whose operations fail when they are told to. Those that change something are
// counted: writes, truncations, syncs, and names that are made, changed or removed.
//
// Nothing in this process may map a file below dir: the fault of a page would wait for this process itself. It looks at live.
type failDisk struct {
	dir  string // where it is mounted
	live string // what is on it

	mu     sync.Mutex
	armed  *fault
	ops    int
	failed []string // the operations that failed
}

// fault says which operations fail: the At-th, or all from there on, of those that need space or of any kind.
type fault struct {
	at    int // from 1; 0: none
	on    bool
	space bool
	errno syscall.Errno
}

func newFailDisk(t *testing.T) *failDisk {
	t.Helper()
	needs.Root(t, "to mount a file system")
	_, err := os.Stat("/dev/fuse")
	needs.That(t, err == nil, "/dev/fuse")
	at := t.TempDir()
	d := &failDisk{dir: filepath.Join(at, "disk"), live: filepath.Join(at, "live")}
	for _, dir := range []string{d.dir, d.live} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	var st syscall.Stat_t
	if err := syscall.Stat(d.live, &st); err != nil {
		t.Fatal(err)
	}
	root := &fs.LoopbackRoot{Path: d.live, Dev: uint64(st.Dev)}
	root.RootNode = &failNode{LoopbackNode: &fs.LoopbackNode{RootData: root}, d: d}
	server, err := fs.Mount(d.dir, root.RootNode, &fs.Options{MountOptions: fuse.MountOptions{DirectMount: true, FsName: "weighpost-test"}})
	needs.That(t, err == nil, "the right to mount a FUSE file system")
	t.Cleanup(func() {
		if err := server.Unmount(); err != nil {
			t.Error(err)
			return
		}
		server.Wait()
	})
	return d
}

// arm counts operations from now on, and lets them fail as f says.
func (d *failDisk) arm(f fault) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.armed, d.ops, d.failed = &f, 0, nil
}

// heal lets no operation fail any more. It gives how many there were, and which failed.
func (d *failDisk) heal() (ops int, failed []string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.armed = nil
	return d.ops, d.failed
}

// op counts one operation and says whether it fails. SQLite's index of the WAL is left out: it is mapped, so that the kernel writes
// it, later and for its own sake, and tells nobody when that fails.
func (d *failDisk) op(what, path string, space bool) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	f := d.armed
	if f == nil || f.space && !space || strings.HasSuffix(path, "-shm") {
		return 0
	}
	d.ops++
	if f.at == 0 || d.ops < f.at || d.ops > f.at && !f.on {
		return 0
	}
	d.failed = append(d.failed, what+" "+path)
	return f.errno
}

// failNode is a file or folder of a failDisk.
type failNode struct {
	*fs.LoopbackNode
	d *failDisk
}

func (n *failNode) WrapChild(_ context.Context, child fs.InodeEmbedder) fs.InodeEmbedder {
	return &failNode{LoopbackNode: child.(*fs.LoopbackNode), d: n.d}
}

func (n *failNode) at(name string) string { return filepath.Join(n.Path(n.Root()), name) }

func (n *failNode) Write(ctx context.Context, h fs.FileHandle, data []byte, off int64) (uint32, syscall.Errno) {
	if errno := n.d.op("write", n.at(""), true); errno != 0 {
		return 0, errno
	}
	return h.(fs.FileWriter).Write(ctx, data, off)
}

func (n *failNode) Setattr(ctx context.Context, h fs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	if size, cuts := in.GetSize(); cuts {
		if errno := n.d.op("truncate", n.at(""), size > 0); errno != 0 {
			return errno
		}
	}
	return n.LoopbackNode.Setattr(ctx, h, in, out)
}

// Fsync does not sync: nothing here cuts the power.
func (n *failNode) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	return n.d.op("sync", n.at(""), false)
}

func (n *failNode) Create(ctx context.Context, name string, flags, mode uint32, out *fuse.EntryOut) (*fs.Inode, fs.FileHandle, uint32, syscall.Errno) {
	if errno := n.d.op("create", n.at(name), true); errno != 0 {
		return nil, nil, 0, errno
	}
	in, h, with, errno := n.LoopbackNode.Create(ctx, name, flags, mode, out)
	return in, through(h), with, errno
}

func (n *failNode) Open(ctx context.Context, flags uint32) (fs.FileHandle, uint32, syscall.Errno) {
	h, with, errno := n.LoopbackNode.Open(ctx, flags)
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

func (n *failNode) Mkdir(ctx context.Context, name string, mode uint32, out *fuse.EntryOut) (*fs.Inode, syscall.Errno) {
	if errno := n.d.op("mkdir", n.at(name), true); errno != 0 {
		return nil, errno
	}
	return n.LoopbackNode.Mkdir(ctx, name, mode, out)
}

func (n *failNode) Rename(ctx context.Context, name string, to fs.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	if errno := n.d.op("rename", n.at(name), false); errno != 0 {
		return errno
	}
	return n.LoopbackNode.Rename(ctx, name, to, newName, flags)
}

func (n *failNode) Unlink(ctx context.Context, name string) syscall.Errno {
	if errno := n.d.op("remove", n.at(name), false); errno != 0 {
		return errno
	}
	return n.LoopbackNode.Unlink(ctx, name)
}

func (n *failNode) Rmdir(ctx context.Context, name string) syscall.Errno {
	if errno := n.d.op("remove", n.at(name), false); errno != 0 {
		return errno
	}
	return n.LoopbackNode.Rmdir(ctx, name)
}

// Nothing but Write and Setattr may change what is in a file.
func (n *failNode) Allocate(context.Context, fs.FileHandle, uint64, uint64, uint32) syscall.Errno {
	return syscall.ENOTSUP
}

func (n *failNode) CopyFileRange(context.Context, fs.FileHandle, uint64, *fs.Inode, fs.FileHandle, uint64, uint64, uint64) (uint32, syscall.Errno) {
	return 0, syscall.ENOTSUP
}
