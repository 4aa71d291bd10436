package deliver_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"weighpost/gateway/deliver"
	"weighpost/gateway/needs"
)

// smallDisk mounts a folder of its own in memory and gives a way to mount it anew with other options.
func smallDisk(t *testing.T, options string) (folder string, remount func(string)) {
	t.Helper()
	folder = t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", options, "weighpost-test", folder).CombinedOutput(); err != nil {
		needs.That(t, false, "the right to mount a file system: "+string(out))
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", folder).CombinedOutput(); err != nil {
			t.Errorf("umount: %v: %s", err, out)
		}
	})
	return folder, func(options string) {
		t.Helper()
		if out, err := exec.Command("mount", "-o", "remount,"+options, folder).CombinedOutput(); err != nil {
			t.Fatalf("remount: %v: %s", err, out)
		}
	}
}

func TestFolderReadOnlyAndBack(t *testing.T) {
	folder, remount := smallDisk(t, "size=16m")
	l := newLab(t, filesSink(t, folder))
	for round := range uint64(5) {
		l.weigh(10, round)
		l.caughtUp()
		remount("ro")
		l.weigh(5, 100+round)
		l.until("the read-only folder is told", func() bool { return l.has(deliver.CodeUnreachable) })
		if s := l.r.Status(); s.Why == "" || !bytes.Contains([]byte(s.Why), []byte("is read-only")) {
			t.Errorf("told as %q", s.Why)
		}
		remount("rw")
		l.caughtUp()
	}
	l.stop()
	l.judge(filesIn(t, folder), false)
}

func TestFolderFullAndRoomAgain(t *testing.T) {
	folder, remount := smallDisk(t, "size=256k")
	l := newLab(t, filesSink(t, folder))
	l.weigh(10, 1)
	l.caughtUp()
	if err := os.WriteFile(filepath.Join(folder, "filler"), make([]byte, 128<<10), 0o600); err != nil {
		t.Fatal(err)
	}
	l.weigh(100, 2)
	l.until("the full folder is told", func() bool { return l.has(deliver.CodeUnreachable) })
	if s := l.r.Status(); !bytes.Contains([]byte(s.Why), []byte("has no room left")) {
		t.Errorf("told as %q", s.Why)
	}
	remount("size=16m")
	l.caughtUp()
	l.stop()
	l.judge(filesIn(t, folder), false)
}
