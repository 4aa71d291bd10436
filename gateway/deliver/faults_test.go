package deliver_test

import (
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/deliver"
	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/files"
	sinkhttp "weighpost/sinks/http"
)

// filesSink opens a sink with one file for each weighing.
func filesSink(t *testing.T, folder string) func() sinks.Sink {
	return func() sinks.Sink {
		cfg := files.Default()
		cfg.Folder = folder
		s, err := cfg.Open("far-side", sinks.Env{})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

// filesIn reads every file below a folder, and fails on anything half.
func filesIn(t *testing.T, folder string) (bodies [][]byte) {
	t.Helper()
	err := filepath.WalkDir(folder, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.Contains(p, "_checkpoints") || d.Name() == "filler" {
			return err
		}
		body, err := os.ReadFile(p)
		if strings.HasSuffix(p, ".part") {
			t.Errorf("a half file is left: %s", p)
		}
		bodies = append(bodies, body)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return bodies
}

func TestFolderGoneAndBack(t *testing.T) {
	base := t.TempDir()
	folder, away := filepath.Join(base, "weighings"), filepath.Join(base, "away")
	if err := os.Mkdir(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	l := newLab(t, filesSink(t, folder))
	for round := range uint64(10) {
		l.weigh(10, round) // some are under way when the folder goes
		if err := os.Rename(folder, away); err != nil {
			t.Fatal(err)
		}
		l.weigh(5, 100+round)
		l.until("the missing folder is told", func() bool { return l.has(deliver.CodeUnreachable) })
		if err := os.Rename(away, folder); err != nil {
			t.Fatal(err)
		}
		l.caughtUp()
		if list := l.board.List(); len(list) != 0 {
			t.Fatalf("after it came back: %+v", list)
		}
	}
	l.stop()
	l.judge(filesIn(t, folder), false)
}

// moody is a receiver whose mood changes; it keeps the order of arrival.
type moody struct {
	mu      sync.Mutex
	mood    string
	poison  map[string]bool
	arrived [][]byte
	fault   string
	hurry   chan struct{} // ends what hangs
}

func (m *moody) set(mood string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.mood = mood
}

func (m *moody) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return
	}
	m.mu.Lock()
	mood := m.mood
	m.mu.Unlock()
	switch mood {
	case "503":
		w.Header().Set("Retry-After", "0")
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	case "401":
		w.WriteHeader(http.StatusUnauthorized)
		return
	case "hang":
		select {
		case <-m.hurry:
		case <-req.Context().Done():
		}
		return
	case "cut":
		drop(w)
		return
	}
	e, err := record.ParseEntry(body)
	m.mu.Lock()
	defer m.mu.Unlock()
	switch key := req.Header.Get("Idempotency-Key"); {
	case err != nil || key != `"`+e.ID+`"`:
		m.fault = fmt.Sprintf("key %s, %v", key, err)
	case m.poison[e.ID]:
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	m.arrived = append(m.arrived, body)
	if mood == "cut after" {
		drop(w)
	}
}

func drop(w http.ResponseWriter) {
	if c, _, err := w.(http.Hijacker).Hijack(); err == nil {
		c.Close()
	}
}

func newMoody(t *testing.T) (*moody, func() sinks.Sink) {
	m := &moody{poison: make(map[string]bool), hurry: make(chan struct{})}
	server := httptest.NewServer(m)
	t.Cleanup(func() {
		close(m.hurry)
		server.Close()
	})
	return m, func() sinks.Sink {
		cfg := sinkhttp.Default()
		cfg.URL, cfg.Timeout = server.URL, 100e6 // 100 ms
		s, err := cfg.Open("far-side", sinks.Env{})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

// TestEachMoodOfAServer goes through the answers one by one and wants the condition that belongs to each.
func TestEachMoodOfAServer(t *testing.T) {
	m, open := newMoody(t)
	l := newLab(t, open)
	l.weigh(20, 1)
	l.caughtUp()
	for mood, code := range map[string]string{
		"503": deliver.CodeBusy, "401": deliver.CodeStopped, "hang": deliver.CodeUnreachable, "cut": deliver.CodeUnreachable,
		"cut after": deliver.CodeUnreachable,
	} {
		m.set(mood)
		l.weigh(5, 2)
		l.until(mood+" is told as "+code, func() bool { return l.has(code) })
		m.set("")
		l.caughtUp()
		if l.has(code) {
			t.Errorf("%s holds after the server is well again", code)
		}
	}
	// Only the 401 was more than a passing fault.
	entries, err := l.j.Read(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	var news []record.Kind
	for _, e := range entries {
		if e.Kind != record.KindWeighing {
			news = append(news, e.Kind)
		}
	}
	if !slices.Equal(news, []record.Kind{record.KindSinkStopped, record.KindSinkResumed}) {
		t.Errorf("recorded %v", news)
	}
	l.stop()
	l.judge(m.arrived, true)
}

// TestMoodsAtRandom changes the server's mood and restarts the Runner at random while weighings come in, and ends with
// everything delivered or parked.
func TestMoodsAtRandom(t *testing.T) {
	seed, rounds := uint64(time.Now().UnixNano()), 40
	if os.Getenv("WEIGHPOST_LONG") != "" {
		rounds = 1000
	}
	t.Logf("seed %d, %d rounds", seed, rounds)
	rng := rand.New(rand.NewPCG(seed, 1))
	m, open := newMoody(t)
	l := newLab(t, open)
	moods := []string{"", "", "503", "401", "hang", "cut", "cut after"}
	for range rounds {
		m.set("401") // nothing gets through before it is known what is poisoned
		entries := l.weigh(1+rng.IntN(12), rng.Uint64())
		if rng.IntN(3) == 0 {
			m.mu.Lock()
			m.poison[entries[rng.IntN(len(entries))].ID] = true
			m.mu.Unlock()
		}
		m.set(moods[rng.IntN(len(moods))])
		time.Sleep(time.Duration(rng.IntN(40)) * time.Millisecond) // how long a mood lasts: part of the dice
		if rng.IntN(5) == 0 {
			l.stop()
			l.run()
		}
	}
	m.set("")
	l.caughtUp()
	l.stop()
	if m.fault != "" {
		t.Error(m.fault)
	}
	l.judge(m.arrived, true)
}
