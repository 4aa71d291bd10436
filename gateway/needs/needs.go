// Package needs has a test say what it needs of the machine. What is missing skips the test with a sentence, and fails it
// where WEIGHPOST_SERVERS=all promises that everything is there. Only tests, and what supports them, import it.
package needs

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// Programs skips the test unless each of the programs is installed.
func Programs(t testing.TB, names ...string) {
	t.Helper()
	var missing []string
	for _, name := range names {
		if _, err := exec.LookPath(name); err != nil {
			missing = append(missing, name)
		}
	}
	That(t, missing == nil, "the program "+strings.Join(missing, " and the program "))
}

// Root skips the test unless root runs it. What for is a few words: "to mount a small disk".
func Root(t testing.TB, what string) {
	t.Helper()
	That(t, os.Geteuid() == 0, "root, "+what)
}

// That skips the test unless what it needs is there.
func That(t testing.TB, there bool, what string) {
	t.Helper()
	switch {
	case there:
	case os.Getenv("WEIGHPOST_SERVERS") == "all":
		t.Fatal("this test needs " + what + ", and WEIGHPOST_SERVERS=all allows no skip")
	default:
		t.Skip("this test needs " + what + "; WEIGHPOST_SERVERS=all makes this a failure")
	}
}
