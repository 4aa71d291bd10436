//go:build linux

package machine

import (
	"bytes"
	"debug/elf"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// image is the folder tree with which the machine begins: an initial RAM disk as the kernel takes it, a cpio archive of the
// "newc" form (Documentation/driver-api/early-userspace/buffer-format.rst of the kernel).
type image struct {
	bytes.Buffer
	inodes int
	have   map[string]bool
}

func newImage() *image { return &image{have: map[string]bool{}} }

const modeDir, modeLink, modeFile = 0o040755, 0o120777, 0o100755

func (i *image) entry(t *testing.T, name string, mode int, content []byte) {
	t.Helper()
	if i.have[name] {
		return
	}
	if above := filepath.Dir(name); above != "." && !i.have[above] {
		i.entry(t, above, modeDir, nil)
	}
	i.have[name] = true
	i.inodes++
	fmt.Fprintf(i, "070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x", i.inodes, mode, 0, 0, 1, 0, len(content), 0, 0, 0, 0, len(name)+1, 0)
	i.WriteString(name + "\x00")
	i.pad()
	i.Write(content)
	i.pad()
}

func (i *image) pad() {
	for i.Len()%4 != 0 {
		i.WriteByte(0)
	}
}

// write ends the archive.
func (i *image) write(t *testing.T, name string) {
	t.Helper()
	i.entry(t, "TRAILER!!!", 0, nil)
	must(t, os.WriteFile(name, i.Bytes(), 0o644))
}

// copy puts a file of this computer into the machine.
func (i *image) copy(t *testing.T, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	must(t, err)
	i.entry(t, strings.TrimPrefix(to, "/"), modeFile, b)
}

var library = regexp.MustCompile(`(/\S+) \(0x`)

// program puts a program of this computer into the machine, with the libraries that it is linked to.
func (i *image) program(t *testing.T, path, to string) {
	t.Helper()
	i.copy(t, path, to)
	out, err := exec.Command("ldd", path).CombinedOutput()
	if err != nil {
		return // it is static
	}
	for _, m := range library.FindAllStringSubmatch(string(out), -1) {
		i.copy(t, m[1], m[1])
	}
}

// modules puts kernel modules into the machine with all that they depend on, and gives their places in the order of loading.
func (i *image) modules(t *testing.T, root string, names ...string) (order []string) {
	t.Helper()
	files := map[string]string{}
	must(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if name, ok := strings.CutSuffix(filepath.Base(path), ".ko"); ok {
			files[strings.ReplaceAll(name, "-", "_")] = path
		}
		return err
	}))
	var load func(name string)
	load = func(name string) {
		path := files[strings.ReplaceAll(name, "-", "_")]
		if path == "" { // built into the kernel
			return
		}
		to := "/modules/" + filepath.Base(path)
		if slices.Contains(order, to) {
			return
		}
		for _, dep := range dependencies(t, path) {
			load(dep)
		}
		order = append(order, to)
		i.copy(t, path, to)
	}
	for _, name := range names {
		load(name)
	}
	return order
}

// dependencies reads from a module which others it needs.
func dependencies(t *testing.T, path string) []string {
	t.Helper()
	f, err := elf.Open(path)
	must(t, err)
	defer f.Close()
	info, err := f.Section(".modinfo").Data()
	must(t, err)
	for field := range strings.SplitSeq(string(info), "\x00") {
		if list, ok := strings.CutPrefix(field, "depends="); ok && list != "" {
			return strings.Split(list, ",")
		}
	}
	return nil
}

// build compiles one of our programs, static.
func build(t *testing.T, pkg string) (path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "program")
	cmd := exec.Command("go", "build", "-o", path, pkg)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("building %s: %v\n%s", pkg, err, out)
	}
	return path
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
