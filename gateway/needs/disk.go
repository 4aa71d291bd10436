package needs

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
)

// SmallDisk mounts a disk in memory, with options such as size=16m, for as long as the test goes on. It needs root.
func SmallDisk(t testing.TB, options string) (dir string) {
	t.Helper()
	Root(t, "to mount a small disk")
	dir = t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", options, "weighpost-test", dir).CombinedOutput(); err != nil {
		That(t, false, "the right to mount: "+string(out))
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", "-l", dir).CombinedOutput(); err != nil {
			t.Errorf("umount: %v %s", err, out)
		}
	})
	return dir
}

// Fill writes until nothing more fits on the disk of a folder, and gives the file that has to go again.
func Fill(t testing.TB, dir string) (ballast string) {
	t.Helper()
	ballast = filepath.Join(dir, "ballast")
	f, err := os.Create(ballast)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for size := 1 << 20; size >= 512; size /= 2 {
		for range 64 {
			if _, err = f.Write(make([]byte, size)); err != nil {
				break
			}
		}
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("the disk is not full: %v", err)
	}
	return ballast
}
