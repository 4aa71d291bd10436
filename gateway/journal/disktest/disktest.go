//go:build linux

// Package disktest gives tests a real file system that can fail: ext4 on an image of its own, which can lose the kernel's
// cache as in a power cut, turn read-only, or meet a device that refuses to write. Other test packages import it; no
// program does.
//
//	disk := disktest.New(t, disktest.Options{})
//	… write below disk.Dir …
//	disk.Cut(t)   // what the kernel had not yet put onto the image is gone
//	disk.Remount(t) // as at the next start of the computer
//
// It needs root, loop devices and mkfs.ext4. Without them the test is skipped, unless WEIGHPOST_SERVERS=all: then it fails.
// Whatever is mounted is unmounted, and each loop device let go, when the test ends.
package disktest

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway/needs"
)

// Options says what the disk is like. The zero value is 64 MB on the disk of the test's own folder.
type Options struct {
	Bytes int64  // size of the file system; 0: 64 MB
	Mount string // options of the mount, separated by commas
	// Behind limits what the device can really hold, in bytes; 0: no limit. A file system that was promised more then
	// meets errors of its device, until Grow.
	Behind int64
}

// Disk is one file system, mounted at Dir or not.
type Disk struct {
	Dir string

	image, below, options string
	mounted               bool
}

// New makes a file system and mounts it.
func New(t testing.TB, o Options) *Disk {
	t.Helper()
	needs.That(t, os.Geteuid() == 0, "root, to mount a file system")
	for _, program := range []string{"mkfs.ext4", "mount", "losetup"} {
		_, err := exec.LookPath(program)
		needs.That(t, err == nil, program)
	}
	at := t.TempDir()
	d := &Disk{Dir: filepath.Join(at, "disk"), below: filepath.Join(at, "below"), options: "loop"}
	if o.Mount != "" {
		d.options += "," + o.Mount
	}
	for _, dir := range []string{d.Dir, d.below} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { d.cleanUp(t) })
	if o.Behind > 0 {
		out, err := command("mount", "-t", "tmpfs", "-o", fmt.Sprintf("size=%d", o.Behind), "weighpost-test", d.below)
		needs.That(t, err == nil, "the right to mount: "+out)
	}
	d.image = filepath.Join(d.below, "image")
	if o.Bytes == 0 {
		o.Bytes = 64 << 20
	}
	if err := os.WriteFile(d.image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(d.image, o.Bytes); err != nil {
		t.Fatal(err)
	}
	if out, err := command("mkfs.ext4", "-qF", d.image); err != nil {
		t.Fatalf("mkfs.ext4: %v %s", err, out)
	}
	out, err := command("mount", "-o", d.options, d.image, d.Dir)
	needs.That(t, err == nil, "the right to mount a loop device: "+out)
	d.mounted = true
	return d
}

func command(name string, args ...string) (string, error) {
	out, err := exec.Command(name, args...).CombinedOutput()
	return strings.TrimSpace(string(out)), err
}

// Cut shuts the file system down where it stands: nothing more reaches the image, not even ext4's own journal, and every
// call fails from now on. It is EXT4_IOC_SHUTDOWN with EXT4_GOING_FLAGS_NOLOGFLUSH (the kernel's fs/ext4/ext4.h).
func (d *Disk) Cut(t testing.TB) {
	t.Helper()
	const shutdown, noLogFlush = 0x8004587d, 2
	dir, err := os.Open(d.Dir)
	if err != nil {
		t.Fatal(err)
	}
	defer dir.Close()
	if err := unix.IoctlSetPointerInt(int(dir.Fd()), shutdown, noLogFlush); err != nil {
		needs.That(t, false, "a kernel whose ext4 can be shut down: "+err.Error())
	}
}

// Remount unmounts the disk, which nobody may have open any more, and mounts it as the next start of a computer does.
func (d *Disk) Remount(t testing.TB) {
	t.Helper()
	if err := d.unmount(); err != nil {
		t.Fatal(err)
	}
	if out, err := command("mount", "-o", d.options, d.image, d.Dir); err != nil {
		t.Fatalf("mount: %v %s", err, out)
	}
	d.mounted = true
}

// Spoil makes ext4 meet an error of its own structures. With errors=remount-ro it turns read-only.
func (d *Disk) Spoil(t testing.TB) {
	t.Helper()
	out, err := command("losetup", "--noheadings", "--output", "NAME", "--associated", d.image)
	if err != nil || out == "" {
		t.Fatalf("which loop device holds %s? %v %s", d.image, err, out)
	}
	name := filepath.Join("/sys/fs/ext4", filepath.Base(out), "trigger_fs_error")
	if err := os.WriteFile(name, []byte("1"), 0); err != nil {
		needs.That(t, false, "a kernel whose ext4 can be spoilt: "+err.Error())
	}
}

// Grow lets a device that was limited by Options.Behind hold as much as this, in bytes.
func (d *Disk) Grow(t testing.TB, bytes int64) {
	t.Helper()
	if out, err := command("mount", "-o", fmt.Sprintf("remount,size=%d", bytes), d.below); err != nil {
		t.Fatalf("remount: %v %s", err, out)
	}
}

// unmount waits a moment for whoever is still letting go of a file.
func (d *Disk) unmount() error {
	for limit := time.Now().Add(5 * time.Second); d.mounted; time.Sleep(10 * time.Millisecond) {
		err := unix.Unmount(d.Dir, 0)
		if err == nil {
			d.mounted = false
		} else if time.Now().After(limit) {
			return fmt.Errorf("unmounting %s: %w", d.Dir, err)
		}
	}
	return nil
}

func (d *Disk) cleanUp(t testing.TB) {
	if err := d.unmount(); err != nil {
		t.Error(err)
		_ = unix.Unmount(d.Dir, unix.MNT_DETACH)
	}
	var below unix.Statfs_t
	if err := unix.Statfs(d.below, &below); err == nil && below.Type == unix.TMPFS_MAGIC && d.limited() {
		if err := unix.Unmount(d.below, unix.MNT_DETACH); err != nil {
			t.Errorf("unmounting %s: %v", d.below, err)
		}
	}
}

// limited says whether a file system of its own is mounted below the image.
func (d *Disk) limited() bool {
	var outer, inner unix.Stat_t
	return unix.Stat(d.below, &inner) == nil && unix.Stat(filepath.Dir(d.below), &outer) == nil && outer.Dev != inner.Dev
}
