package everywhere

import (
	"os"
	"testing"

	"weighpost/gateway/needs"
)

// built is the program as it is handed out.
var built string

func TestMain(m *testing.M) {
	os.Exit(needs.WithProgram(func(path string) int {
		built = path
		return m.Run()
	}))
}
