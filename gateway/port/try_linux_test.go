package port

import (
	"context"
	"errors"
	"testing"
	"time"
)

// TestAPortIsTriedAtOnce: whoever asks gets what the attempt says, without waiting for the next one to come by itself.
func TestAPortIsTriedAtOnce(t *testing.T) {
	cord, line, board := cordAndLine(t, DriverNative)
	line.backoff = backoff{first: time.Millisecond, serial: time.Hour, rest: time.Hour}
	s := newStory()
	stop := running(t, line, s)
	board.until(t, CodeMissing)
	for line.Counts().Opens < 20 { // the waits grow, up to minutes
		var trouble *Trouble
		if err := line.Try(t.Context()); !errors.As(err, &trouble) || trouble.Code != CodeMissing {
			t.Fatalf("a port that is not there: %v", err)
		}
	}
	plug(t, cord)
	began := time.Now()
	if err := line.Try(t.Context()); err != nil {
		t.Errorf("a port that is back: %v", err)
	}
	s.untilCount(t, "up", 1)
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("it took %s", took)
	}
	opens := line.Counts().Opens
	if err := line.Try(t.Context()); err != nil || line.Counts().Opens != opens {
		t.Errorf("a port that is open: %v, %d attempts more", err, line.Counts().Opens-opens)
	}
	stop()
	enough, cancel := context.WithCancelCause(t.Context())
	cancel(errEnough)
	if err := line.Try(enough); !errors.Is(err, errEnough) {
		t.Errorf("a line that ended, and nobody who waits: %v", err)
	}
}
