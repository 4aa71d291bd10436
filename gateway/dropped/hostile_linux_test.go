package dropped

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"weighpost/gateway/health"
	"weighpost/gateway/needs"
)

const good = `{"balance": "b-1", "sample": {"id": "LOT-1"}}`

// TestHostileFiles: whatever lies in the folder, the good file behind it is taken, nothing of others is read, and each has its answer.
func TestHostileFiles(t *testing.T) {
	b := newBench(t, t.TempDir(), &lab{})
	secret := filepath.Join(t.TempDir(), "secret.json")
	if err := os.WriteFile(secret, []byte(strings.Replace(good, "LOT-1", "SECRET", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	inside := b.path("kept.txt")
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.WriteFile(inside, []byte(strings.Replace(good, "LOT-1", "INSIDE", 1)), 0o600))
	must(os.Symlink(secret, b.path("a-link.json")))
	must(os.Symlink("kept.txt", b.path("a-link-inside.json")))
	must(os.Symlink("nowhere", b.path("a-link-to-nothing.json")))
	must(os.Link(inside, b.path("b-hard.json")))
	must(syscall.Mkfifo(b.path("c-pipe.json"), 0o600))
	must(os.MkdirAll(b.path("d-folder.json/more"), 0o750))
	must(os.WriteFile(b.path("e-control\x1b[2J\n.json"), []byte(good), 0o600))
	must(os.WriteFile(b.path("f-\xff\xfe.json"), []byte(good), 0o600))
	must(os.WriteFile(b.path("g-"+strings.Repeat("long", 40)+".json"), []byte(good), 0o600))
	must(os.WriteFile(b.path("h-large.json"), []byte(strings.Repeat(" ", mostBytes+1)), 0o600))
	must(os.WriteFile(b.path("i-empty.json"), nil, 0o600))
	must(os.WriteFile(b.path("j-deep.json"), []byte(strings.Repeat("[", 1<<19)), 0o600))
	must(os.WriteFile(b.path("k-many.json"), []byte("["+strings.Repeat(good+",", 1000)+good+"]"), 0o600))
	must(os.WriteFile(b.path("-rf.json"), []byte(strings.Replace(good, "LOT-1", "DASH", 1)), 0o600))
	must(os.WriteFile(b.path("z.json"), []byte(good), 0o600))
	if os.Geteuid() == 0 {
		must(syscall.Mknod(b.path("c-device.json"), syscall.S_IFCHR|0o600, 1<<8|5)) // /dev/zero
	}
	b.must(3)
	b.did("b-1 DASH", "b-1 LOT-1")
	if got := b.files("."); !slices.Equal(got, []string{"kept.txt"}) {
		t.Errorf("left: %q", got)
	}
	for name, want := range map[string]string{"a-link": "no regular file", "a-link-inside": "no regular file", "a-link-to-nothing": "no regular file",
		"b-hard": "hard link", "c-pipe": "no regular file", "name-cannot-be-used": "name cannot be used", "name-cannot-be-used.2": "name cannot be used",
		"name-cannot-be-used.3": "name cannot be used", "h-large": "at most 1048576", "i-empty": "object in JSON", "j-deep": "object in JSON", "k-many": "more than 1000"} {
		if a := b.answer("refused/" + name + ".answer.json"); !strings.Contains(a.Why, want) || a.Done != 0 {
			t.Errorf("%s: %+v", name, a)
		}
	}
	if got, err := os.Readlink(b.path("refused/a-link.json")); err != nil || got != secret {
		t.Errorf("the link was followed or changed: %s %v", got, err)
	}
	if c := b.board.List(); len(c) != 0 {
		t.Errorf("conditions: %v", c)
	}
}

// TestFoldersThatAreLinks: what should be a folder of ours and leads elsewhere is not followed, and is a condition until it is gone.
func TestFoldersThatAreLinks(t *testing.T) {
	for _, dir := range []string{workingDir, takenDir, refusedDir} {
		b := newBench(t, t.TempDir(), &lab{})
		elsewhere := t.TempDir()
		if err := os.Symlink(elsewhere, b.path(dir)); err != nil {
			t.Fatal(err)
		}
		b.put("a.json", good)
		if err := b.rounds(3); err == nil || !strings.Contains(err.Error(), "in the way") {
			t.Errorf("%s: %v", dir, err)
		}
		b.did()
		if c := b.board.List(); len(c) != 1 || c[0].Code != health.RequestsFolder {
			t.Errorf("%v", c)
		}
		if err := os.Remove(b.path(dir)); err != nil {
			t.Fatal(err)
		}
		b.must(2)
		b.did("b-1 LOT-1")
		if c := b.board.List(); len(c) != 0 {
			t.Errorf("%v", c)
		}
	}
}

// TestAFolderThatComesAndGoes: not there, taken away, and there again with other files.
func TestAFolderThatComesAndGoes(t *testing.T) {
	b := newBench(t, filepath.Join(t.TempDir(), "requests"), &lab{})
	if err := b.rounds(1); !errors.Is(err, os.ErrNotExist) || len(b.board.List()) != 1 {
		t.Errorf("%v %v", err, b.board.List())
	}
	for n := range 2 {
		if err := os.Mkdir(b.cfg.Folder, 0o750); err != nil {
			t.Fatal(err)
		}
		b.put("a.json", good)
		b.must(2)
		if len(b.lab.done) != n+1 || len(b.board.List()) != 0 {
			t.Errorf("%q %v", b.lab.done, b.board.List())
		}
		if err := os.RemoveAll(b.cfg.Folder); err != nil {
			t.Fatal(err)
		}
		if err := b.rounds(1); err == nil {
			t.Error("the folder is gone, and nothing is said")
		}
	}
}

// TestAFullDisk: an answer that cannot be written follows once there is room, in the same run or after a restart, and nothing is carried out
// twice.
func TestAFullDisk(t *testing.T) {
	needs.Root(t, "to mount a small tmpfs")
	for _, restart := range []bool{false, true} {
		dir := t.TempDir()
		if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=256k,mode=700"); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
		b := newBench(t, dir, &lab{})
		b.must(1)
		b.put("a.json", "["+good+","+good+`, {"balance": "b-9", "sample": {"id": "LOT-1"}}]`)
		b.put("b.samples.csv", "id\nLOT-2\nLOT-3\n")
		b.must(1)
		filler, err := os.Create(filepath.Join(dir, "filler"))
		if err != nil {
			t.Fatal(err)
		}
		for chunk := make([]byte, 4096); err == nil; _, err = filler.Write(chunk) {
		}
		if !errors.Is(err, syscall.ENOSPC) {
			t.Fatal(err)
		}
		for range 3 {
			if err := b.rounds(1); !errors.Is(err, syscall.ENOSPC) {
				t.Fatal("the disk is full, and the round says", err)
			}
		}
		b.did("b-1 LOT-1", "b-1 LOT-1") // the second file waits
		if c := b.board.List(); len(c) != 1 || c[0].Code != health.RequestsFolder {
			t.Errorf("%v", c)
		}
		if err := errors.Join(filler.Close(), os.Remove(filler.Name())); err != nil {
			t.Fatal(err)
		}
		before := len(b.lab.asked)
		if restart {
			b = newBench(t, dir, b.lab)
		}
		b.must(2)
		b.did("b-1 LOT-1", "b-1 LOT-1", "LOT-2", "LOT-3")
		if a := b.answer("taken/a.answer.json"); a.Done != 2 || a.Refused != 1 || a.Requests[1].Number != 2 {
			t.Errorf("%+v", a)
		}
		if !restart && len(b.lab.asked) != before {
			t.Error("what was refused is asked for again")
		}
		if a := b.answer("taken/b.samples.answer.json"); a.Samples.New != 2 {
			t.Errorf("%+v", a)
		}
		if c := b.board.List(); len(c) != 0 {
			t.Errorf("%v", c)
		}
	}
}

// TestNoPermission: as somebody who is not root, a file that cannot be read is refused, and a folder that cannot be written is a condition.
func TestNoPermission(t *testing.T) {
	needs.Root(t, "to take on another user's rights")
	dir := t.TempDir()
	for at := dir; len(at) > len(os.TempDir()); at = filepath.Dir(at) {
		if err := os.Chmod(at, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	const nobody = 65534
	if err := os.Chown(dir, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	b := newBench(t, dir, &lab{})
	b.put("a.json", good)
	if err := os.Chmod(b.path("a.json"), 0o600); err != nil { // root's
		t.Fatal(err)
	}
	b.put("b.json", good)
	if err := os.Chmod(b.path("b.json"), 0o644); err != nil {
		t.Fatal(err)
	}
	done := make(chan error)
	go func() { // the rights of a thread, which ends with this goroutine: it is never unlocked
		done <- asUser(nobody, func() error { return b.rounds(2) })
	}()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	b.did("b-1 LOT-1")
	if a := b.answer("refused/a.answer.json"); !strings.Contains(a.Why, "no permission") {
		t.Errorf("%+v", a)
	}
	b.put("c.json", good)
	if err := os.Chown(dir, 0, 0); err != nil {
		t.Fatal(err)
	}
	go func() { done <- asUser(nobody, func() error { return b.rounds(2) }) }()
	if err := <-done; !errors.Is(err, os.ErrPermission) || len(b.board.List()) != 1 {
		t.Errorf("%v %v", err, b.board.List())
	}
	b.did("b-1 LOT-1")
}
