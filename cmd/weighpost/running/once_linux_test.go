package running

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// TestAnActWithAKeyIsDoneOnceWhenTheDaemonIsKilled sends each request, with a key of its own, until an answer says that it was done,
// twice over, while the daemon is killed at random moments. Each is one entry, and whatever was answered as done is there.
func TestAnActWithAKeyIsDoneOnceWhenTheDaemonIsKilled(t *testing.T) {
	t.Parallel()
	rounds, _, dice := needs.Kills(t, 5)
	r, base := followRig(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var mu sync.Mutex
	done, found := 0, 0
	var sender sync.WaitGroup
	sender.Go(func() {
		client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 20 * time.Second}
		for n := 0; ctx.Err() == nil; n++ {
			for range 2 {
				for status := 0; ctx.Err() == nil && status != http.StatusOK; time.Sleep(2 * time.Millisecond) {
					var kind string
					if status, kind = note(ctx, client, base, r.journal, n); strings.HasSuffix(kind, ":carried-out") {
						mu.Lock()
						found++
						mu.Unlock()
						break
					}
				}
				if ctx.Err() != nil {
					return
				}
			}
			mu.Lock()
			done = n + 1
			mu.Unlock()
		}
	})
	count := func() int { mu.Lock(); defer mu.Unlock(); return done }
	for range rounds {
		daemon := r.start(t)
		before := count()
		comesAbout(t, func() bool { return count() > before }, "nothing is done")
		time.Sleep(time.Duration(dice.IntN(100)) * time.Millisecond)
		_ = daemon.Process.Signal(syscall.SIGKILL)
		_ = daemon.Wait()
	}
	daemon := r.start(t)
	before := count()
	comesAbout(t, func() bool { return count() > before+3 }, "nothing is done after the last start")
	stop()
	sender.Wait()
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	times := map[string]int{}
	err := journal.Scan(t.Context(), r.journal, 0, func(e record.Entry) error {
		var b struct{ Name string }
		if e.Kind == record.KindBackup {
			if err := json.Unmarshal(e.JSON, &b); err != nil {
				return err
			}
			times[b.Name]++
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for n := range done {
		if name := fmt.Sprintf("backup-%d.tar", n); times[name] != 1 {
			t.Errorf("%s was answered as done and is %d times in the journal", name, times[name])
		}
	}
	for name, n := range times {
		if n > 1 {
			t.Errorf("%s was done %d times", name, n)
		}
	}
	t.Logf("%d acts; %d found done in the journal without their answer", done, found)
}

// note sends request n, and gives the status, 0 where none came, and the type of a problem.
func note(ctx context.Context, client *http.Client, base, dir string, n int) (int, string) {
	token, err := os.ReadFile(filepath.Join(dir, "api.token"))
	if err != nil {
		return 0, ""
	}
	body := fmt.Sprintf(`{"name": "backup-%d.tar", "where": "/srv/backups", "outcome": "good", "by": "ada"}`, n)
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, base+"backups/verified", strings.NewReader(body))
	if err != nil {
		return 0, ""
	}
	req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", fmt.Sprintf(`"note-%d"`, n))
	resp, err := client.Do(req)
	if err != nil {
		return 0, ""
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		return 0, ""
	}
	var p struct{ Type string }
	_ = json.Unmarshal(answer, &p)
	return resp.StatusCode, p.Type
}
