package journal

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"weighpost/gateway/needs"
)

func TestAKeyThatOthersMayReadIsTold(t *testing.T) {
	needs.That(t, runtime.GOOS != "windows", "a system with modes of files")
	dir := specimen(t)
	if r := verifyClean(t, dir); len(r.Notes) != 0 {
		t.Errorf("%v", r.Notes)
	}
	must(t, os.Chmod(filepath.Join(dir, keyName), 0o640))
	var log bytes.Buffer
	j := open(t, Options{Dir: dir, Log: slog.New(slog.NewTextHandler(&log, nil))})
	must(t, j.Close())
	if !strings.Contains(log.String(), "can be read by others (mode 640)") {
		t.Errorf("the log says %q", log.String())
	}
	if r := verifyClean(t, dir); len(r.Notes) != 1 || !strings.Contains(r.Text(), "chmod 600") {
		t.Errorf("%s", r.Text())
	}
}
