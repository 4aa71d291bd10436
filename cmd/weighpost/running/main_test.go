package running

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// built is the program, as the go command builds it with the flags that hold for this test (GOFLAGS=-race among them).
var built string

// TestMain builds the program once for all tests, which mostly wait for it.
func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", "4"); err != nil {
		panic(err)
	}
	os.Exit(withProgram(m.Run))
}

func withProgram(run func() int) int {
	dir, err := os.MkdirTemp("", "weighpost-running-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	built = filepath.Join(dir, "weighpost")
	if out, err := exec.Command("go", "build", "-o", built, "weighpost/cmd/weighpost").CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "the program cannot be built: %v\n%s", err, out)
		return 1
	}
	return run()
}

// program puts the program into a folder, under its name.
func program(t *testing.T, dir string) string {
	t.Helper()
	path := filepath.Join(dir, "weighpost")
	if err := os.Symlink(built, path); err != nil {
		t.Fatal(err)
	}
	return path
}
