package journal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// The stand-in is this test binary as a daemon that only records: it appends until it is killed, or as many as it is told
// to, and prints a line for each acknowledgement and each refusal. What it printed before a fault is what must be there.
const (
	standInEnv   = "WEIGHPOST_JOURNAL_STANDIN"       // the journal's folder
	standInCount = "WEIGHPOST_JOURNAL_STANDIN_COUNT" // weighings to record, then a clean end; 0: until killed
	standInHands = "WEIGHPOST_JOURNAL_STANDIN_HANDS" // how many append at the same time
	standInSync  = "WEIGHPOST_JOURNAL_STANDIN_SYNC"  // SQLite's synchronous; empty: what a daemon has
	standInSteps = "WEIGHPOST_JOURNAL_STANDIN_STEPS" // a further step of the schema, as a later version brings
)

func standIn() int {
	count, _ := strconv.Atoi(os.Getenv(standInCount))
	hands, _ := strconv.Atoi(os.Getenv(standInHands))
	var mu sync.Mutex
	say := func(format string, args ...any) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Printf(format+"\n", args...)
	}
	schema := append([]string(nil), steps...)
	if step := os.Getenv(standInSteps); step != "" {
		schema = append(schema, step)
	}
	j, err := Open(context.Background(), Options{Dir: os.Getenv(standInEnv), Site: "north-lab",
		synchronous: os.Getenv(standInSync), steps: schema,
		idleAfter: 3 * time.Millisecond, foldAt: 128 << 10, signEvery: 5 * time.Millisecond, retryMin: 5 * time.Millisecond,
		retryMax: 20 * time.Millisecond,
		OnState:  func(stopped bool, cause error) { say("state %v %q", stopped, fmt.Sprint(cause)) }})
	if err != nil {
		say("open %q", err)
		return 1
	}
	var wg sync.WaitGroup
	for hand := range max(1, hands) {
		wg.Go(func() {
			recorded := 0
			for i := 0; count == 0 || recorded < count; i++ {
				n := os.Getpid()*1_000_000 + hand*100_000 + i // no two tries of a life, nor two lives, are alike
				e, err := j.Append(context.Background(), weighing(fmt.Sprintf("b-%d", hand), n))
				switch {
				case err == nil:
					recorded++
					say("%s", ackLine(e[0]))
					_ = j.SetCursor("files", e[0].Seq)
				case errors.Is(err, ErrStopped):
					say("refused lot-%06d", n)
					time.Sleep(2 * time.Millisecond) // a balance that prints again
				default:
					say("failed %q", err)
					return
				}
			}
		})
	}
	wg.Wait()
	if err := j.Close(); err != nil {
		say("close %q", err)
	}
	say("end")
	return 0
}

// lives is what a test knows of the lives of a stand-in, from outside.
type lives struct {
	dir      string
	env      []string          // further settings of the stand-in
	acks     map[uint64]string // seq → "id hash", as printed
	refused  []string          // samples that were refused
	stops    int
	lastStop string
	ended    bool        // the last one ended by itself
	odd      []string    // lines that should not have been printed
	said     *tailWriter // by the last one, on standard error
}

// tailWriter keeps the last of what is written to it.
type tailWriter struct {
	mu   sync.Mutex
	last []byte
}

func (w *tailWriter) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.last = append(w.last, b...)
	w.last = w.last[max(0, len(w.last)-16<<10):]
	return len(b), nil
}

func (w *tailWriter) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return string(w.last)
}

func newLives(dir string) *lives { return &lives{dir: dir, acks: map[uint64]string{}} }

// start runs a stand-in, under other programs if wrap names some. tell is called for each line that it prints.
func (l *lives) start(t *testing.T, count, hands int, wrap []string, tell func(line string)) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	must(t, err)
	argv := append(append([]string(nil), wrap...), self)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute) // none takes that long unless it hangs
	t.Cleanup(cancel)
	cmd := exec.CommandContext(ctx, argv[0], argv[1:]...)
	cmd.Env = append(os.Environ(), standInEnv+"="+l.dir, fmt.Sprintf("%s=%d", standInCount, count),
		fmt.Sprintf("%s=%d", standInHands, hands))
	cmd.Env = append(cmd.Env, l.env...)
	out, err := cmd.StdoutPipe()
	must(t, err)
	l.ended, l.said = false, &tailWriter{}
	cmd.Stderr = l.said
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGQUIT) } // it then says where it hangs
	must(t, cmd.Start())
	lines := bufio.NewScanner(out)
	read := func() {
		for lines.Scan() {
			l.hear(lines.Text())
			tell(lines.Text())
		}
	}
	go func() { // ends with the stand-in, whose pipe then ends
		read()
		tell("")
	}()
	return cmd
}

func (l *lives) hear(line string) {
	var seq uint64
	var id, hash, sample string
	switch {
	case strings.HasPrefix(line, "ack "):
		if _, err := fmt.Sscanf(line, "ack %d %s %s", &seq, &id, &hash); err != nil {
			return // the last line of a life, cut short: nobody has seen that acknowledgement
		}
		if len(hash) != len(tlog.Hash{}.String()) {
			return
		}
		if before, again := l.acks[seq]; again {
			l.odd = append(l.odd, fmt.Sprintf("sequence %d was given to %s and then to %s", seq, before, id))
		}
		l.acks[seq] = id + " " + hash
	case strings.HasPrefix(line, "refused "):
		if _, err := fmt.Sscanf(line, "refused %s", &sample); err == nil {
			l.refused = append(l.refused, sample)
		}
	case strings.HasPrefix(line, "state true"):
		l.stops++
		l.lastStop = line
	case line == "end":
		l.ended = true
	case strings.HasPrefix(line, "failed"), strings.HasPrefix(line, "open"):
		l.odd = append(l.odd, line)
	}
}

// check verifies the journal from outside: no fault, everything acknowledged is there with the same bytes, and nothing that
// was refused.
func (l *lives) check(t *testing.T, when string) {
	t.Helper()
	l.checkAt(t, l.dir, when)
}

// checkAt does so where the journal's folder is now another.
func (l *lives) checkAt(t *testing.T, dir, when string) {
	t.Helper()
	verifyClean(t, dir)
	l.compare(t, when, func(each func(record.Entry) error) error {
		return Scan(context.Background(), dir, 0, each)
	})
}

func (l *lives) compare(t *testing.T, when string, scan func(each func(record.Entry) error) error) {
	t.Helper()
	missing := len(l.acks)
	samples := map[string]bool{}
	ids := map[string]bool{}
	err := scan(func(e record.Entry) error {
		if ids[e.ID] {
			t.Errorf("%s: the id %s is used twice", when, e.ID)
		}
		ids[e.ID] = true
		if want, acked := l.acks[e.Seq]; acked {
			missing--
			if got := fmt.Sprintf("%s %v", e.ID, tlog.RecordHash(e.JSON)); got != want {
				t.Errorf("%s: entry %d was acknowledged as %s, and is %s", when, e.Seq, want, got)
			}
		}
		if i := strings.Index(string(e.JSON), `"sample":{"id":"`); i >= 0 {
			sample, _, _ := strings.Cut(string(e.JSON[i+16:]), `"`)
			samples[sample] = true
		}
		return nil
	})
	if err != nil {
		t.Errorf("%s: %v", when, err)
	}
	if missing > 0 {
		t.Errorf("%s: %d of %d acknowledged entries are missing", when, missing, len(l.acks))
	}
	for _, sample := range l.refused {
		if samples[sample] {
			t.Errorf("%s: %s was refused, and is in the journal", when, sample)
		}
	}
	for _, line := range l.odd {
		t.Errorf("%s: %s", when, line)
	}
}

// ackLine is the line that a stand-in prints for an entry.
func ackLine(e record.Entry) string {
	return fmt.Sprintf("ack %d %s %v", e.Seq, e.ID, tlog.RecordHash(e.JSON))
}
