package systemd

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestTheArchivesUnit: systemd takes every word of it but for the program, which is not installed here, and leaves it little to do harm with.
func TestTheArchivesUnit(t *testing.T) {
	unit, err := os.ReadFile("weighpost-archive.service")
	if err != nil {
		t.Fatal(err)
	}
	const program = "ExecStart=/usr/local/bin/weighpost "
	path := filepath.Join(t.TempDir(), "weighpost-archive.service")
	if err := os.WriteFile(path, []byte(strings.Replace(string(unit), program, "ExecStart=/bin/true ", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := tool(t, "systemd-analyze", "verify", path); err != nil || strings.Contains(out, "weighpost-archive") {
		t.Errorf("%v: %s", err, out)
	}
	out, err := tool(t, "systemd-analyze", "security", "--offline=true", "weighpost-archive.service")
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	level := regexp.MustCompile(`Overall exposure level for weighpost-archive\.service: ([0-9.]+)`).FindStringSubmatch(out)
	if level == nil {
		t.Fatal(out)
	}
	if n, err := strconv.ParseFloat(level[1], 64); err != nil || n > 2.0 {
		t.Errorf("systemd-analyze gives the unit %s", level[1])
	}
	t.Logf("exposure %s", level[1])
}
