package logging

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// TestTheJournalsOwnStreamIsRecognised: device and inode are those that stat(1) names.
func TestTheJournalsOwnStreamIsRecognised(t *testing.T) {
	f, err := os.Create(t.TempDir() + "/log")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out, err := exec.Command("stat", "-c", "%d:%i", f.Name()).Output()
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv("JOURNAL_STREAM", strings.TrimSpace(string(out)))
	New(f, Config{}).Warn("here")
	if b, err := os.ReadFile(f.Name()); err != nil || string(b) != "<4>level=WARN msg=here\n" {
		t.Errorf("%v: %s", err, b)
	}
}
