package port

import (
	"context"
	"errors"
	"os"
	"testing"
	"time"
)

// TestDrainingGivesUpWhereNothingLeaves: a slow line is waited for, one that is held up is not.
func TestDrainingGivesUpWhereNothingLeaves(t *testing.T) {
	left := 20
	if err := untilNone(t.Context(), 10*time.Second, func() (int, error) { left--; return left, nil }); err != nil || left != 0 {
		t.Errorf("a slow line: %v with %d left", err, left)
	}
	if err := untilNone(t.Context(), 20*time.Millisecond, func() (int, error) { return 7, nil }); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("a line that is held up: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := untilNone(ctx, time.Hour, func() (int, error) { return 7, nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("nobody waits any more: %v", err)
	}
}
