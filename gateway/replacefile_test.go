package gateway

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestAFileIsReplacedWholeOrNotAtAll(t *testing.T) {
	dir := t.TempDir()
	real, link := filepath.Join(dir, "etc", "weighpost.yaml"), filepath.Join(dir, "link.yaml")
	if err := os.Mkdir(filepath.Dir(real), 0o755); err != nil {
		t.Fatal(err)
	}
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(real, []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
	}
	says := func(want string) {
		t.Helper()
		if b, err := os.ReadFile(real); err != nil || string(b) != want {
			t.Errorf("%q %v, want %q", b, err, want)
		}
		list, err := os.ReadDir(filepath.Dir(real))
		if err != nil || len(list) > 2 {
			t.Errorf("%v is left behind, %v", list, err)
		}
	}
	write("one\n")
	if err := os.Symlink(real, link); err != nil {
		t.Fatal(err)
	}
	undo, err := replaceFile(link, []byte("one\n"), []byte("two\n"), ".kept")
	if err != nil {
		t.Fatal(err)
	}
	says("two\n")
	info, err := os.Lstat(real)
	if l, lerr := os.Lstat(link); err != nil || lerr != nil || info.Mode().Perm() != 0o640 || l.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("%v %v: the rights or the link are others", info.Mode(), err)
	}
	if b, err := os.ReadFile(real + ".kept"); err != nil || string(b) != "one\n" {
		t.Errorf("%q %v", b, err)
	}
	undo()
	says("one\n")
	undo() // of what is undone: nothing
	says("one\n")
	write("edited\n")
	if _, err := replaceFile(link, []byte("one\n"), []byte("two\n"), ""); err == nil || !strings.Contains(err.Error(), "edited on the host meanwhile") {
		t.Errorf("%v", err)
	}
	undo()
	says("edited\n")
	if _, err := replaceFile(filepath.Join(dir, "none"), nil, []byte("x"), ""); err == nil || !strings.Contains(err.Error(), "cannot be written, so that nothing was changed") {
		t.Errorf("%v", err)
	}
}
