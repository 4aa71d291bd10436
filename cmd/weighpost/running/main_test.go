package running

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"weighpost/gateway/needs"
)

// built is the program as it is handed out.
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
	if built, err = needs.Program(dir); err != nil {
		fmt.Fprintln(os.Stderr, err)
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
