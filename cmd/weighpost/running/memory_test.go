//go:build linux

package running

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// press has sixteen askers at a time read the journal over the API, in answers that are made as a whole, until so many have come or
// the daemon is gone. It returns how many came.
func (r *rig) press(t *testing.T, daemon *exec.Cmd, wanted int64) int64 {
	t.Helper()
	page := regexp.MustCompile(`page: (http://\S+/)`)
	r.says(t, "page: ")
	pages := page.FindAllStringSubmatch(r.log(t), -1)
	url := pages[len(pages)-1][1] + "api/v1/entries?limit=500"
	client := http.Client{Timeout: time.Minute}
	defer client.CloseIdleConnections()
	var asking sync.WaitGroup
	var answers atomic.Int64
	for range 16 {
		asking.Go(func() {
			for answers.Load() < wanted && !ended(daemon.Process.Pid) {
				resp, err := client.Get(url)
				if err != nil {
					time.Sleep(10 * time.Millisecond) // it is being killed, and is gone soon
					continue
				}
				b, err := io.ReadAll(resp.Body)
				resp.Body.Close()
				if err == nil && resp.StatusCode == http.StatusOK && len(b) > 1000 {
					answers.Add(1)
				}
			}
		})
	}
	asking.Wait()
	return answers.Load()
}

// TestTheDaemonKeepsToTheMemoryThatItIsGiven: under a limit and a load at which a Go program that knows of no limit is killed by the
// kernel, it answers all that is asked, records what is printed meanwhile, and is not killed. The limit is one of a real control
// group, as MemoryMax= of the unit sets it.
func TestTheDaemonKeepsToTheMemoryThatItIsGiven(t *testing.T) {
	t.Parallel()
	group := newMemoryGroup(t)
	r := newRig(t)
	stop := r.printing(t)
	limit := 42 << 20
	if err := group.limit(t, limit); err != nil {
		t.Fatal(err)
	}
	r.wrap = []string{"sh", "-c", fmt.Sprintf(`echo $$ >%s/cgroup.procs; exec "$@"`, group.dir), "sh"}
	const answers = 160
	r.isKilledWithout(t, group, limit, 4*answers)
	before := group.kills(t)
	daemon := r.start(t)
	r.moved(t, daemon, 10)
	n := r.press(t, daemon, answers)
	r.moved(t, daemon, 10)
	if said := r.log(t); n < answers || group.kills(t) != before || !strings.Contains(said, "memory limit") || !strings.Contains(said, fmt.Sprint("bytes=", int64(share*float64(limit)))) {
		t.Errorf("%d answers, killed %d times:\n%.3000s", n, group.kills(t)-before, said)
	}
	t.Logf("at %d MiB a daemon that keeps to them gives %d of %d answers, and records meanwhile", limit>>20, n, answers)
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	r.ends(t, stop)
}

// isKilledWithout shows that the limit is one that counts.
func (r *rig) isKilledWithout(t *testing.T, group *memoryGroup, limit int, answers int64) {
	t.Helper()
	r.env = append(os.Environ(), "GOMEMLIMIT=off")
	daemon := r.start(t)
	r.moved(t, daemon, 500) // as many as one answer holds
	n := r.press(t, daemon, answers)
	_ = daemon.Process.Kill()
	_ = daemon.Wait()
	if group.kills(t) != 1 {
		t.Errorf("a daemon that knows of no limit was not killed at %d MiB: this test shows nothing", limit>>20)
	}
	t.Logf("at %d MiB the kernel kills a daemon that knows of no limit, after %d answers", limit>>20, n)
	r.env = nil
}

// share is the part of what is granted that the daemon keeps to.
const share = 0.9
