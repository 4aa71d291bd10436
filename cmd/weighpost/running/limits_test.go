//go:build linux

package running

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// printing lets the balances print, every 20 ms each, until the test calls what it returns.
func (r *rig) printing(t *testing.T) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	var printers sync.WaitGroup
	for _, c := range r.balances {
		printers.Go(func() { c.print(ctx, 20*time.Millisecond) })
	}
	return func() { cancel(); printers.Wait() }
}

// log is what the daemon said so far.
func (r *rig) log(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(r.config + ".log")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// says waits until the daemon has logged a text.
func (r *rig) says(t *testing.T, text string) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); !strings.Contains(r.log(t), text); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			log := r.log(t)
			t.Fatalf("the daemon does not say %q:\n%s", text, log[max(0, len(log)-4000):])
		}
	}
}

// ends lets one more daemon, without limits, deliver what there is, and judges all of it.
func (r *rig) ends(t *testing.T, stop func()) {
	t.Helper()
	r.wrap = nil
	daemon := r.start(t)
	r.moved(t, daemon, 1)
	stop()
	r.drain(t)
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	r.judge(t)
}

// TestTheLimitOnTheSizeOfFilesIsSaidAndNothingIsFalselyAcknowledged: SQLite meets it in the middle of its work.
func TestTheLimitOnTheSizeOfFilesIsSaidAndNothingIsFalselyAcknowledged(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.wrap = []string{"sh", "-c", `ulimit -f 800; exec "$@"`, "sh"}
	daemon := r.start(t)
	r.opened(t) // what was printed before would all be there at once, and fill the file before one is acknowledged
	stop := r.printing(t)
	r.moved(t, daemon, 1)
	r.says(t, "the disk is full, or a quota or limit is reached")
	_, before := r.far.counts()
	live := r.far.shown()
	for limit := time.Now().Add(30 * time.Second); r.far.shown() < live+100; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("the live stream stands still")
		}
	}
	if err := daemon.Process.Signal(syscall.Signal(0)); err != nil {
		t.Errorf("the daemon is gone: %v", err)
	}
	if n := strings.Count(r.log(t), "recording is stopped"); n > 3 {
		t.Errorf("it is said %d times", n)
	}
	_ = daemon.Process.Kill()
	_ = daemon.Wait()
	t.Logf("%d weighings were acknowledged before the limit", before)
	r.ends(t, stop)
}

// TestTooFewOpenFilesIsOneLine: the start ends with one sentence and what to do, also where a journal was being made, and
// a start with more goes well. What the log says before it (the reserve file could not be made, nobody can sign in) comes or
// not, as the race for the last file ends.
func TestTooFewOpenFilesIsOneLine(t *testing.T) {
	t.Parallel()
	for _, files := range []int{8, 10, 12} {
		t.Run(strconv.Itoa(files), func(t *testing.T) {
			c := soloConfig(t)
			program := filepath.Join(filepath.Dir(c), "weighpost")
			ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
			defer cancel()
			run := exec.CommandContext(ctx, "sh", "-c", fmt.Sprintf(`ulimit -n %d; exec "$@"`, files), "sh", program, "run", "--config", c)
			out, err := run.CombinedOutput()
			said := slices.DeleteFunc(strings.Split(strings.TrimSpace(string(out)), "\n"), func(line string) bool {
				return strings.HasPrefix(line, "time=") || strings.TrimSpace(line) == "EOF" // a line of the log, which may quote two errors
			})
			if run.ProcessState.ExitCode() != 1 || len(said) != 1 ||
				!strings.Contains(said[0], "too many open files") || !strings.Contains(said[0], "ulimit -n") {
				t.Errorf("%v\n%s", err, out)
			}
			soloRuns(t, program, c)
		})
	}
}

// soloConfig writes a configuration of one balance that is not plugged in, beside a link to this program.
func soloConfig(t *testing.T) (path string) {
	t.Helper()
	dir := t.TempDir()
	program(t, dir)
	layout, err := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(dir, "weighpost.yaml")
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: %q}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n  - {id: b-1, port: {address: %q}, layout: %q, record: all}\n",
		filepath.Join(dir, "journal"), filepath.Join(dir, "port"), layout)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// soloRuns starts a daemon and ends it in good order once it runs.
func soloRuns(t *testing.T, program, config string) {
	t.Helper()
	r := &rig{program: program, config: config}
	daemon := r.start(t)
	r.says(t, "weighpost ")
	r.says(t, "port-missing")
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("with more open files it does not run: %v\n%s", err, r.log(t))
	}
}

// TestOutOfMemoryIsAKillLikeAnother: the kernel kills the daemon in the middle of its work, because its group has no more
// memory. It prints nothing then; the next start says how the last one ended, and what was acknowledged is there.
func TestOutOfMemoryIsAKillLikeAnother(t *testing.T) {
	t.Parallel()
	rounds := 2
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		rounds = 50
	}
	group := newMemoryGroup(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 0))
	r := newRig(t)
	stop := r.printing(t)
	r.wrap = []string{"sh", "-c", fmt.Sprintf(`echo $$ >%s/cgroup.procs; exec "$@"`, group.dir), "sh"}
	for range rounds {
		group.limit(t, 1<<30)
		before := group.kills(t)
		daemon := r.start(t)
		r.moved(t, daemon, 1+dice.IntN(100))
		exited := make(chan error, 1)
		go func() { exited <- daemon.Wait() }()
		group.squeeze(t, exited)
		if now := group.kills(t); now != before+1 {
			t.Errorf("the kernel's count of kills was %d and is %d", before, now)
		}
	}
	r.ends(t, stop)
}

// memoryGroup is a control group whose memory can be limited, of either version.
type memoryGroup struct{ dir, limitName, usageName, killsName string }

func newMemoryGroup(t *testing.T) *memoryGroup {
	t.Helper()
	needs.Root(t, "to make a control group")
	name := fmt.Sprintf("weighpost-test-%d-%s", os.Getpid(), t.Name())
	for _, g := range []memoryGroup{
		{"/sys/fs/cgroup/memory/" + name, "memory.limit_in_bytes", "memory.usage_in_bytes", "memory.oom_control"},
		{"/sys/fs/cgroup/" + name, "memory.max", "memory.current", "memory.events"},
	} {
		if os.Mkdir(g.dir, 0o755) != nil {
			continue
		}
		if _, err := os.Stat(filepath.Join(g.dir, g.limitName)); err != nil {
			_ = os.Remove(g.dir)
			continue
		}
		t.Cleanup(func() {
			for limit := time.Now().Add(5 * time.Second); os.Remove(g.dir) != nil; time.Sleep(20 * time.Millisecond) {
				if time.Now().After(limit) {
					t.Errorf("the control group %s cannot be removed", g.dir)
					return
				}
			}
		})
		return &g
	}
	needs.That(t, false, "a control group for memory")
	return nil
}

func (g *memoryGroup) limit(t *testing.T, bytes int) error {
	t.Helper()
	return os.WriteFile(filepath.Join(g.dir, g.limitName), []byte(strconv.Itoa(bytes)), 0)
}

// kills is how often the kernel has killed in this group.
func (g *memoryGroup) kills(t *testing.T) int {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(g.dir, g.killsName))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		if n, ok := strings.CutPrefix(line, "oom_kill "); ok {
			count, err := strconv.Atoi(strings.TrimSpace(n))
			if err != nil {
				t.Fatal(err)
			}
			return count
		}
	}
	t.Fatalf("%s does not count kills: %s", g.killsName, b)
	return 0
}

// squeeze takes memory from the group until its process is killed.
func (g *memoryGroup) squeeze(t *testing.T, exited <-chan error) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); ; {
		b, err := os.ReadFile(filepath.Join(g.dir, g.usageName))
		if err != nil {
			t.Fatal(err)
		}
		usage, err := strconv.Atoi(strings.TrimSpace(string(b)))
		if err != nil {
			t.Fatal(err)
		}
		_ = g.limit(t, usage-256<<10) // an error says that nothing can be taken just now
		select {
		case <-exited:
			return
		case <-time.After(5 * time.Millisecond):
		}
		if time.Now().After(limit) {
			t.Fatalf("the daemon still runs with %d bytes", usage)
		}
	}
}
