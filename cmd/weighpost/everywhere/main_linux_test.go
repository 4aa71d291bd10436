package everywhere

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// built is the program, as the go command builds it with the flags that hold for this test (GOFLAGS=-race among them).
var built string

func TestMain(m *testing.M) { os.Exit(withProgram(m.Run)) }

func withProgram(run func() int) int {
	dir, err := os.MkdirTemp("", "weighpost-everywhere-")
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
