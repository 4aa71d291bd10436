package needs

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
)

// Program builds weighpost in a folder and gives its path. It is built as it is handed out, one static file without the race detector,
// whatever flags hold for the test: what the detector finds in a program that is killed is told to nobody, limits of memory and of
// time would be held against another program than the one that people run, and a start costs ten times as much.
func Program(dir string) (string, error) {
	path := filepath.Join(dir, "weighpost")
	build := exec.Command("go", "build", "-buildvcs=false", "-o", path, "weighpost/cmd/weighpost")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("the program cannot be built: %w\n%s", err, out)
	}
	return path, nil
}

// WithProgram builds weighpost once for the tests of a package, hands its path over and gives the status of run, for a TestMain.
func WithProgram(run func(path string) int) int {
	dir, err := os.MkdirTemp("", "weighpost-program-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	path, err := Program(dir)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return run(path)
}
