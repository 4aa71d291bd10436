//go:build unix

package endure

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal/journaltest"
)

func rounds(few, many int) int {
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		return many
	}
	if slow {
		return min(few, 2)
	}
	return few
}

func newSeed(t *testing.T) (*rand.Rand, uint64) {
	t.Helper()
	seed := rand.Uint64()
	if s, err := strconv.ParseUint(os.Getenv("WEIGHPOST_SEED"), 10, 64); err == nil {
		seed = s
	}
	t.Logf("seed: WEIGHPOST_SEED=%d", seed)
	return rand.New(rand.NewPCG(seed, 1)), seed
}

// drill is a site whose child is killed again and again.
type drill struct {
	*witness
	at    string
	since time.Time
	env   []string
	met   map[string]int // act → kills that met it
	lives int
}

func newDrill(t *testing.T, env ...string) *drill {
	at, err := os.MkdirTemp("", "endure-") // kept when something is wrong
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("what is left is in %s", at)
		} else if err := os.RemoveAll(at); err != nil {
			t.Error(err)
		}
	})
	return &drill{witness: newWitness(), at: at, since: time.Now(), env: env, met: map[string]int{}}
}

// life starts a child, waits until it says that it begins an act or has done it ("": not), waits a little more, and kills it.
func (d *drill) life(t *testing.T, until string, after time.Duration) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), self)
	cmd.Env = append(append(os.Environ(), childAt+"="+d.at, fmt.Sprintf("%s=%d", childSince, d.since.UnixNano())), d.env...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	d.lives++
	clear(d.begun)
	lines := make(chan string, 1<<16)
	go func() { // ends with the child, whose pipe then ends
		defer close(lines)
		r := bufio.NewReader(out)
		for {
			line, err := r.ReadString('\n')
			if err != nil {
				return // a last line that was cut short acknowledges nothing
			}
			lines <- strings.TrimSuffix(line, "\n")
		}
	}()
	limit := time.After(60 * time.Second)
	for waits := until != ""; waits; {
		select {
		case line, more := <-lines:
			if !more {
				t.Fatalf("the child ended by itself: %q", d.failed)
			}
			d.hear(line)
			waits = line != until && !strings.HasPrefix(line, until+" ")
		case <-limit:
			_ = cmd.Process.Kill()
			t.Fatalf("the child does not say: %s. It says %q", until, d.failed)
		}
	}
	time.Sleep(after)
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	for line := range lines {
		d.hear(line)
	}
	_ = cmd.Wait()
	for name := range d.begun {
		d.met[name]++
	}
}

// kill runs n lives, and hands each state after a kill to look, until that says to stop.
func (d *drill) kill(t *testing.T, n int, random *rand.Rand, look func(round int) bool) {
	t.Helper()
	for round := range n {
		when := []string{"begin seal", "begin backup", "begin export", "begin rotate", "done seal", "done backup", "done export", "done rotate",
			""}[random.IntN(9)]
		if slow && when != "" {
			_, when, _ = strings.Cut(when, " ")
			when = "begin " + when
		}
		soon := []int{50_000, 300_000}[random.IntN(2)] // in the midst of that act, or of a later one
		d.life(t, when, time.Duration(random.IntN(soon))*time.Microsecond)
		if !look(round) {
			return
		}
	}
}

// A process that records, backs up, seals, exports and changes its key, all at once, is killed at random moments. Everything that
// it acknowledged is there, and whatever has its final name is whole.
func TestEverythingAcknowledgedSurvivesKillsInEveryAct(t *testing.T) {
	random, seed := newSeed(t)
	const perSite = 20
	met, done, acked, lives := map[string]int{}, map[string]int{}, 0, 0
	for left := rounds(perSite, 500); left > 0 && !t.Failed(); left -= perSite {
		d := newDrill(t)
		d.kill(t, min(left, perSite), random, func(round int) bool {
			if _, err := os.Stat(filepath.Join(d.at, "journal", "journal.db")); err != nil && len(d.bySeq) == 0 {
				return true // killed before there was a journal
			}
			for _, f := range append(d.judge(d.at), d.failed...) {
				t.Errorf("seed %d, life %d: %s", seed, d.lives, f)
			}
			return !t.Failed()
		})
		for act, n := range d.met {
			met[act] += n
		}
		for act, n := range d.done {
			done[act] += n
		}
		acked, lives = acked+len(d.bySeq), lives+d.lives
		if !t.Failed() {
			d.goesOn(t)
		}
	}
	for _, act := range []string{"backup", "seal", "export", "rotate"} {
		if !slow && (met[act] == 0 || done[act] == 0) {
			t.Errorf("%d kills met the act %s, and %d times it was done: the kills come at one kind of moment only", met[act], act, done[act])
		}
	}
	t.Logf("%d kills, %d entries acknowledged, none lost; the kills met %v, and done were %v", lives, acked, met, done)
}

// goesOn opens what the last kill left, does every act, and looks at what lies about.
func (d *drill) goesOn(t *testing.T) {
	t.Helper()
	s := &site{at: d.at, since: d.since, say: func(format string, args ...any) { d.hear(fmt.Sprintf(format, args...)) }}
	if err := s.open(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.fill(t.Context(), s.j.Head()+400)
	for _, act := range []string{"append", "backup", "checkpoint", "export", "rotate", "seal"} {
		if err := s.do(t.Context(), act); err != nil {
			t.Errorf("after the last kill: %s: %v", act, err)
		}
	}
	if err := s.j.Close(); err != nil {
		t.Error(err)
	}
	if d.made["seal"] == "" {
		t.Error("nothing was sealed after the last kill")
	}
	for _, f := range d.judge(d.at) {
		t.Errorf("after the last kill, and another of every act: %s", f)
	}
	for _, pattern := range []string{"backups/.*", "archive/.*", "journal/segments/building", "journal/key.next*", "journal/*.part"} {
		if left, _ := filepath.Glob(filepath.Join(d.at, pattern)); len(left) > 0 {
			t.Errorf("what a kill left is not cleaned up: %q", left)
		}
	}
	journaltest.Verify(t, filepath.Join(d.at, "journal"))
}

// If a child that acknowledges too early, or writes backups under their final names, passed, the test above would show nothing.
func TestTheKillsWouldShowCarelessness(t *testing.T) {
	if slow {
		t.Skip("the same child without the race detector shows it")
	}
	random, seed := newSeed(t)
	for careless, says := range map[string]string{"append": "was acknowledged and is not there", "backup": "does not verify"} {
		d, found := newDrill(t, childCareless+"="+careless), ""
		d.kill(t, 30, random, func(int) bool {
			for _, f := range d.judge(d.at) {
				if strings.Contains(f, says) {
					found = f
				}
			}
			return found == ""
		})
		if found == "" {
			t.Errorf("seed %d: a child that does %s carelessly was not found out by %d kills", seed, careless, d.lives)
		}
		t.Logf("%s: found after %d kills: %.200s", careless, d.lives, found)
	}
}
