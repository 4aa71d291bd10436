package logging

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// page is what was logged. Timers write to it too.
type page struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (p *page) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.b.Write(b)
}

type line struct {
	Level, Msg, Balance string
	N, Repeats          int
}

func (p *page) lines(t *testing.T) (list []line) {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	for text := range strings.Lines(p.b.String()) {
		var l line
		if err := json.Unmarshal([]byte(text), &l); err != nil {
			t.Fatalf("%v: %s", err, text)
		}
		list = append(list, l)
	}
	p.b.Reset()
	return list
}

func TestTheFirstFewOfAMinuteAndThenOneLineForTheRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p page
		log := New(&p, Config{Format: JSON})
		for n := range 1000 {
			log.Error("a port went away", "balance", "b-1", "n", n)
		}
		log.With("balance", "b-2").Error("a port went away", "n", 5000)
		log.Error("a disk is full", "n", 6000)
		log.Warn("a port went away", "balance", "b-1", "n", 7000) // another level
		got := p.lines(t)
		if len(got) != 10+3 {
			t.Fatalf("%d lines at once: %v", len(got), got)
		}
		for n, l := range got[:10] {
			if l.N != n || l.Repeats != 0 {
				t.Errorf("line %d is %+v", n, l)
			}
		}
		time.Sleep(time.Minute + time.Second)
		synctest.Wait()
		got = p.lines(t)
		if len(got) != 1 || got[0] != (line{"ERROR", "a port went away", "b-1", 999, 990}) {
			t.Errorf("at the end of the minute: %+v", got)
		}
		log.Error("a port went away", "balance", "b-1", "n", 8000)
		if got = p.lines(t); len(got) != 1 || got[0].N != 8000 {
			t.Errorf("in the next minute: %+v", got)
		}
		log.Close()
	})
}

// TestNothingDistinctIsLost: lines that differ in their words, or in what they are about, are all there, however many.
func TestNothingDistinctIsLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p page
		log := New(&p, Config{Format: JSON})
		const kinds = 3 * mostKinds
		for n := range kinds {
			log.Info("seen", "balance", fmt.Sprintf("b-%d", n), "n", n)
		}
		if got := p.lines(t); len(got) != kinds {
			t.Errorf("%d lines of %d", len(got), kinds)
		}
		time.Sleep(window + time.Second)
		synctest.Wait()
		if n := len(log.limiter.kinds); n != 0 {
			t.Errorf("%d kinds are still counted after their minute", n)
		}
	})
}

func TestCloseSaysWhatWasLeftOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var p page
		log := New(&p, Config{Format: JSON})
		for n := range 12 {
			log.Info("seen", "n", n)
		}
		p.lines(t)
		log.Close()
		if got := p.lines(t); len(got) != 1 || got[0].Repeats != 2 || got[0].N != 11 {
			t.Errorf("at the end: %+v", got)
		}
	})
}

func TestFormatsAndLevels(t *testing.T) {
	var p page
	log := New(&p, Config{})
	log.Debug("no")
	log.Info("yes", "weight", "12.3450 g\x1b[2J\n")
	if got := p.b.String(); !strings.Contains(got, `level=INFO msg=yes weight="12.3450 g\x1b[2J\n"`) || strings.Contains(got, "msg=no") || strings.Contains(got, "\x1b") {
		t.Errorf("text is %q", got)
	}
	log.SetLevel(Config{Level: "error"})
	log.Warn("hidden")
	log.SetLevel(Config{Level: "debug"})
	log.Debug("shown")
	if got := p.b.String(); strings.Contains(got, "hidden") || !strings.Contains(got, "shown") {
		t.Errorf("with other levels: %q", got)
	}
}

// TestTheJournalGetsPriorities: the numbers are those of syslog (RFC 5424, table 2).
func TestTheJournalGetsPriorities(t *testing.T) {
	var p page
	log := slog.New(newPriorities(&p, Text, slog.LevelDebug)).With("sink", "broker")
	log.Error("e")
	log.Warn("w")
	log.Info("i")
	log.Debug("d")
	want := "<3>level=ERROR msg=e sink=broker\n<4>level=WARN msg=w sink=broker\n<6>level=INFO msg=i sink=broker\n<7>level=DEBUG msg=d sink=broker\n"
	if got := p.b.String(); got != want {
		t.Errorf("got:\n%swant:\n%s", got, want)
	}
	p.b.Reset()
	slog.New(newPriorities(&p, JSON, slog.LevelInfo)).Info("i")
	if got := p.b.String(); got != "<6>{\"level\":\"INFO\",\"msg\":\"i\"}\n" {
		t.Errorf("got %s", got)
	}
}

// TestOnlyTheJournalItselfGetsPriorities: a variable that was inherited is not enough.
func TestOnlyTheJournalItselfGetsPriorities(t *testing.T) {
	f, err := os.Create(t.TempDir() + "/log")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	t.Setenv("JOURNAL_STREAM", "1:2")
	New(f, Config{}).Info("elsewhere")
	if b, err := os.ReadFile(f.Name()); err != nil || !strings.HasPrefix(string(b), "time=") {
		t.Errorf("%v: %s", err, b)
	}
}
