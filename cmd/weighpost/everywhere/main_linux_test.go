package everywhere

import (
	"fmt"
	"os"
	"testing"

	"weighpost/gateway/needs"
)

// built is the program as it is handed out.
var built string

func TestMain(m *testing.M) { os.Exit(withProgram(m.Run)) }

func withProgram(run func() int) int {
	dir, err := os.MkdirTemp("", "weighpost-everywhere-")
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
