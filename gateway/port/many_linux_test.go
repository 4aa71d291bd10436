package port

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port/pty"
)

// TestSixtyFourPortsComeAndGo plugs in and pulls out 64 adapters at once, again and again, below names that lead to another
// terminal each time, while all are read and somebody lists the ports all the time. Afterwards no descriptor and no goroutine
// is left that was not there before.
func TestSixtyFourPortsComeAndGo(t *testing.T) {
	const many = 64
	rounds := 6
	if os.Getenv("WEIGHPOST_LONG") != "" {
		rounds = 100
	}
	forBothDrivers(t, func(t *testing.T, driver string) {
		u := newComputer(t)
		procFolder = "/proc"
		u.dir("dev/balance")
		files, turning := descriptors(t), runtime.NumGoroutine()
		cords, lines, stories := make([]*pty.Cord, many), make([]*Line, many), make([]*story, many)
		ctx, cancel := context.WithCancel(t.Context())
		var running sync.WaitGroup
		for i := range many {
			cords[i] = pty.NewCord(filepath.Join(devFolder, "balance", fmt.Sprintf("b-%d", i)))
			lines[i] = NewLine(Config{Address: cords[i].Path(), Driver: driver}, "b", nil, nil)
			lines[i].backoff = hasty
			stories[i] = newStory()
			running.Go(func() {
				if err := lines[i].Run(ctx, stories[i]); err != nil {
					t.Error(err)
				}
			})
		}
		looks, most := 0, 0
		running.Go(func() {
			for ctx.Err() == nil {
				all, err := List(ctx)
				if err != nil && ctx.Err() == nil {
					t.Error(err)
				}
				for _, f := range all {
					if f.Kind != KindPseudo || f.Address == "" || filepath.Base(filepath.Dir(f.Address)) != "balance" {
						t.Errorf("listed is %+v", f)
					}
				}
				looks, most = looks+1, max(most, len(all))
				time.Sleep(5 * time.Millisecond)
			}
		})
		for round := range rounds {
			for i, cord := range cords {
				plug(t, cord)
				prints(t, cord, fmt.Sprintf("%d.%d g\r\n", round, i))
			}
			for i, s := range stories {
				line := fmt.Sprintf("%d.%d g\r\n", round, i)
				s.until(t, line, func(s *story) bool { return string(lastOf(s.text.Bytes(), len(line))) == line })
			}
			for _, cord := range cords {
				if err := cord.Pull(); err != nil {
					t.Fatal(err)
				}
			}
			for _, s := range stories {
				s.untilCount(t, "down", round+1)
			}
		}
		cancel()
		within(t, 30*time.Second, "the end of all lines", running.Wait)
		for _, s := range stories {
			s.alternates(t)
		}
		t.Logf("%d adapters, %d times each; listed %d times, at most %d ports", many, rounds, looks, most)
		if looks < 2 || most == 0 {
			t.Error("the list saw none of them")
		}
		if now := descriptors(t); now != files {
			t.Errorf("%d descriptors before, %d after", files, now)
		}
		for limit := time.Now().Add(40 * time.Second); runtime.NumGoroutine() > turning; time.Sleep(10 * time.Millisecond) {
			if time.Now().After(limit) {
				t.Fatalf("%d goroutines before, %d after", turning, runtime.NumGoroutine())
			}
		}
	})
}

func lastOf(b []byte, n int) []byte { return b[max(0, len(b)-n):] }
