package folder

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// TestDeliverEndsWhenTheDiskHangs stands in for a dead share, which cannot be made here: work that does not return.
func TestDeliverEndsWhenTheDiskHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var g Guard
		hang := make(chan struct{})
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		began := time.Now()
		n, err := g.Do(ctx, func(context.Context) (int, error) { <-hang; return 5, nil })
		if n != 0 || !errors.Is(err, context.DeadlineExceeded) || time.Since(began) != time.Minute+Settle {
			t.Errorf("accepted %d after %s: %v", n, time.Since(began), err)
		}
		again, stop := context.WithTimeout(t.Context(), time.Minute)
		defer stop()
		if _, err := g.Do(again, func(context.Context) (int, error) { t.Error("two at once"); return 0, nil }); !errors.Is(err, ErrStuck) {
			t.Errorf("the next call: %v", err)
		}
		if err := g.End(func() error { t.Error("closed under the work"); return nil }); err == nil {
			t.Error("the end did not tell")
		}
		close(hang)
		if n, err := g.Do(t.Context(), func(context.Context) (int, error) { return 2, nil }); n != 2 || err != nil {
			t.Errorf("after it came back: %d, %v", n, err)
		}
		if _, err := g.Do(t.Context(), func(context.Context) (int, error) { panic("oh") }); err == nil {
			t.Error("a panic passed as success")
		}
	})
}
