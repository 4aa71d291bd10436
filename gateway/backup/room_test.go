package backup

import (
	"errors"
	"os"
	"strings"
	"testing"
)

// TestABackupLeavesTheRoomThatRecordingNeeds: where what is free is kept for recording, a backup is left, says so and leaves
// nothing, and recording goes on; with room again the next one is made.
func TestABackupLeavesTheRoomThatRecordingNeeds(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(50)
	o := b.order()
	asked := 0
	o.Room = func(folder string) (int64, error) {
		if asked++; folder != b.folder {
			t.Errorf("it is asked of %s", folder)
		}
		return -4096, nil
	}
	_, err := Create(t.Context(), o)
	if !errors.Is(err, errNoRoom) || asked == 0 || !strings.Contains(err.Error(), "kept for recording") || !strings.Contains(err.Error(), b.folder) {
		t.Errorf("asked %d times: %v", asked, err)
	}
	if left, err := os.ReadDir(b.folder); err != nil || len(left) != 0 {
		t.Errorf("%v were left, %v", left, err)
	}
	b.weigh(1)
	o.Room = func(string) (int64, error) { return 1 << 30, nil }
	if made, err := Create(t.Context(), o); err != nil || made.Manifest.Entries != 51 {
		t.Errorf("%+v, %v", made, err)
	}
}
