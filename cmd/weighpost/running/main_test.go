package running

import (
	"flag"
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
	os.Exit(needs.WithProgram(func(path string) int {
		built = path
		return m.Run()
	}))
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
