package setup

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"weighpost/gateway/config"
	"weighpost/gateway/intake"
	"weighpost/gateway/port"
)

const seedLayout = "line: \"{weight 10} {unit 3}\"\n"

func addition(dir string) Addition {
	return Addition{
		Config:  filepath.Join(dir, "weighpost.yaml"),
		Balance: intake.Config{ID: "b-2", Serial: "0048", Port: port.Config{Address: "/dev/ttyS9", Parity: "even"}, Layout: "layouts/b-2.yaml"},
		Layout:  []byte(seedLayout), Site: "seed-bank", Journal: "journal",
	}
}

const seedConfig = "# ours\nsite: seed-bank\njournal: {folder: journal} # here\n"

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o640); err != nil {
		t.Fatal(err)
	}
}

func files(t *testing.T, dir string) (list []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if rel, _ := filepath.Rel(dir, path); rel != "." {
			list = append(list, rel)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestAdditionWritesLayoutAndConfiguration(t *testing.T) {
	for _, before := range []string{"", seedConfig} {
		dir := t.TempDir()
		a := addition(dir)
		if before != "" {
			put(t, a.Config, before)
		}
		if err := a.Check(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := files(t, dir); before == "" && len(got) > 0 {
			t.Fatalf("looking left %v behind", got)
		}
		done, err := a.Write(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		c, err := config.LoadFile(a.Config)
		if err != nil {
			t.Fatal(err)
		}
		if c.Layout("b-2") == nil || c.Site != "seed-bank" || done.New != (before == "") {
			t.Errorf("%+v, %+v", c, done)
		}
		text, _ := os.ReadFile(a.Config)
		if !strings.HasPrefix(string(text), before) {
			t.Errorf("the old text is lost:\n%s", text)
		}
		if len(files(t, dir)) != 3 {
			t.Errorf("left behind: %v", files(t, dir))
		}
	}
}

// TestAdditionLeavesNothingBehind refuses for one reason each, and looks that the folder is as it was.
func TestAdditionLeavesNothingBehind(t *testing.T) {
	used := func(context.Context, string) (map[string]string, error) {
		return map[string]string{"b-2": "0047", "b-3": ""}, nil
	}
	cases := []struct {
		name   string
		change func(t *testing.T, a *Addition)
		want   string
	}{
		{"id of another balance before", func(_ *testing.T, a *Addition) { a.Past = used }, `the id b-2 belongs to the balance with the serial number "0047"`},
		{"id used before by nobody knows which", func(_ *testing.T, a *Addition) { a.Past, a.Balance.ID = used, "b-3" }, "the id b-3 was used before"},
		{"id in use", func(_ *testing.T, a *Addition) { a.Balance.ID = "b-1" }, "is the id of balances[0] already"},
		{"port in use", func(_ *testing.T, a *Addition) { a.Balance.Port.Address = "/dev/ttyS1" }, `is the port of balance "b-1"`},
		{"layout with a mistake", func(_ *testing.T, a *Addition) { a.Layout = []byte("line: \"{wait}\"\n") }, "the layout has mistakes"},
		{"layout of somebody else", func(_ *testing.T, a *Addition) { a.Balance.Layout = "layouts/b-1.yaml" }, "is there already"},
		{"no such id", func(_ *testing.T, a *Addition) { a.Balance.ID = "B 2" }, "balances[1].id"},
		{"a folder in place of the file", func(t *testing.T, a *Addition) { a.Config = filepath.Dir(a.Config) }, "is a folder"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			a := addition(dir)
			before := seedConfig + "balances:\n- id: b-1\n  port: {address: /dev/ttyS1}\n  layout: layouts/b-1.yaml\n"
			put(t, a.Config, before)
			put(t, filepath.Join(dir, "layouts/b-1.yaml"), "line: \"{weight} {unit}\"\n")
			was := files(t, dir)
			c.change(t, &a)
			_, err := a.Write(t.Context())
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
			text, _ := os.ReadFile(filepath.Join(dir, "weighpost.yaml"))
			if string(text) != before || strings.Join(was, " ") != strings.Join(files(t, dir), " ") {
				t.Errorf("something changed: %v\n%s", files(t, dir), text)
			}
		})
	}
}

func TestAdditionOfABalanceThatComesBack(t *testing.T) {
	dir := t.TempDir()
	a := addition(dir)
	a.Past = func(context.Context, string) (map[string]string, error) { return map[string]string{"b-2": "0048"}, nil }
	if _, err := a.Write(t.Context()); err != nil {
		t.Error(err)
	}
	a = addition(t.TempDir())
	a.Past = func(context.Context, string) (map[string]string, error) { return nil, errors.New("may not be read") }
	done, err := a.Write(t.Context())
	if err != nil || len(done.Notes) == 0 || !strings.Contains(done.Notes[len(done.Notes)-1], "whether the id b-2 was used before is not known") {
		t.Errorf("%+v, %v", done, err)
	}
}

// TestReplaceKeepsTheFile holds the mode, the link, and a change that somebody else makes.
func TestReplaceKeepsTheFile(t *testing.T) {
	dir := t.TempDir()
	real, link := filepath.Join(dir, "real", "w.yaml"), filepath.Join(dir, "w.yaml")
	put(t, real, "old")
	if err := os.Chmod(real, 0o604); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("real/w.yaml", link); err != nil {
		t.Skipf("no symbolic links here: %v", err)
	}
	if err := replaceFile(link, []byte("other"), []byte("new")); err == nil || !strings.Contains(err.Error(), "somebody changed") {
		t.Errorf("replaced what somebody changed: %v", err)
	}
	if err := replaceFile(link, []byte("old"), []byte("new")); err != nil {
		t.Fatal(err)
	}
	info, err := os.Lstat(link)
	if err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link is gone: %v, %v", info, err)
	}
	info, err = os.Stat(real)
	if err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o604 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if text, _ := os.ReadFile(real); string(text) != "new" {
		t.Errorf("%q", text)
	}
	if got := files(t, dir); len(got) != 3 {
		t.Errorf("left behind: %v", got)
	}
}

func TestWriteNew(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "l.yaml")
	if err := WriteNew(path, []byte("1"), false); err != nil {
		t.Fatal(err)
	}
	if err := WriteNew(path, []byte("2"), false); err == nil || !strings.Contains(err.Error(), "is there already") {
		t.Error(err)
	}
	if err := WriteNew(path, []byte("3"), true); err != nil {
		t.Error(err)
	}
	if err := WriteNew(dir, []byte("4"), true); err == nil {
		t.Error("a folder was replaced")
	}
	if err := WriteNew(filepath.Join(dir, "none", "l.yaml"), []byte("5"), false); err == nil {
		t.Error("a file was written into no folder")
	}
	if text, _ := os.ReadFile(path); string(text) != "3" {
		t.Errorf("%q", text)
	}
	if got := files(t, dir); len(got) != 1 {
		t.Errorf("left behind: %v", got)
	}
}
