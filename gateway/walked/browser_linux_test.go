package walked

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

const (
	tab   = chromium.Tab
	enter = chromium.Enter
)

// seat is a browser with somebody before it, who also takes files away.
type seat struct {
	*chromium.Seat
	files string // where it puts what is downloaded
}

func sitDown(t *testing.T, base string) *seat {
	t.Helper()
	s := &seat{chromium.Sit(t, 20*time.Minute, base), t.TempDir()}
	s.Size(1024, 768)
	s.Does("Browser.setDownloadBehavior", map[string]any{"behavior": "allow", "downloadPath": s.files})
	return s
}

// downloaded waits for a file whose name has an ending.
func (s *seat) downloaded(ending string) []byte {
	s.T.Helper()
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		found, _ := filepath.Glob(filepath.Join(s.files, "*"+ending))
		if len(found) == 1 {
			if b, err := os.ReadFile(found[0]); err == nil && len(b) > 0 {
				return b
			}
		}
	}
	list, _ := os.ReadDir(s.files)
	s.T.Fatalf("no file ...%s comes; there are %v", ending, list)
	return nil
}
