package http

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// faulty is a receiver that does something wrong with half of what it gets.
type faulty struct {
	mu     sync.Mutex
	random *rand.Rand
	got    []sinktest.Arrival
	faults map[string]int
}

var wrongs = []string{"429", "503", "401", "no answer", "cut before it was taken", "cut after it was taken", "cut answer", "slow answer", "answer of 64 MB"}

func (f *faulty) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	f.mu.Lock()
	wrong := ""
	if f.random.IntN(2) == 0 {
		wrong = wrongs[f.random.IntN(len(wrongs))]
		f.faults[wrong]++
	}
	before := map[string]bool{"429": true, "503": true, "401": true, "no answer": true, "cut before it was taken": true}
	if !before[wrong] {
		f.got = append(f.got, sinktest.Arrival{Name: r.Header.Get("Idempotency-Key"), Body: body})
	}
	f.mu.Unlock()
	answerWrongly(w, r, wrong)
}

func answerWrongly(w http.ResponseWriter, r *http.Request, wrong string) {
	switch wrong {
	case "429", "503":
		w.Header().Set("Retry-After", "0")
		w.WriteHeader(map[string]int{"429": 429, "503": 503}[wrong])
	case "401":
		w.WriteHeader(http.StatusUnauthorized)
	case "no answer":
		<-r.Context().Done()
	case "cut before it was taken", "cut after it was taken":
		panic(http.ErrAbortHandler)
	case "cut answer":
		w.Header().Set("Content-Length", "1000")
		_, _ = io.WriteString(w, "half")
		panic(http.ErrAbortHandler)
	case "slow answer":
		w.WriteHeader(http.StatusOK)
		for range 20 {
			_, _ = io.WriteString(w, ".")
			_ = http.NewResponseController(w).Flush()
			select {
			case <-r.Context().Done():
				return
			case <-time.After(10 * time.Millisecond):
			}
		}
	case "answer of 64 MB":
		big := bytes.Repeat([]byte("x"), 1<<20)
		for range 64 {
			if _, err := w.Write(big); err != nil {
				return
			}
		}
	default:
		w.WriteHeader(http.StatusCreated)
	}
}

// TestEveryEntryArrivesThroughInjectedFaults: none is lost or altered, the order of each balance is kept, and what arrives twice has
// the same id and the same bytes.
func TestEveryEntryArrivesThroughInjectedFaults(t *testing.T) {
	count := 150
	if os.Getenv("WEIGHPOST_LONG") != "" {
		count = 3000
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	f := &faulty{random: rand.New(rand.NewPCG(seed, 1)), faults: map[string]int{}}
	far := httptest.NewServer(f)
	defer far.Close()
	t.Setenv("WEIGHPOST_TEST_SIGNING", newSecret())
	c := *Default()
	c.URL, c.Timeout, c.Sign = far.URL, 100e6, secret(t, "env:WEIGHPOST_TEST_SIGNING") // 100 ms
	s := openSink(t, c)
	entries := sinktest.Weighings(count, seed)
	for rest, tries := entries, 0; len(rest) > 0; tries++ {
		n, err := s.Deliver(t.Context(), rest[:min(len(rest), 20)])
		rest = rest[n:]
		if outcome(err) == "refused" || tries > 100*count {
			t.Fatalf("after %d tries, %d left: %v", tries, len(rest), err)
		}
	}
	want, next, twice := map[string]record.Entry{}, 0, 0
	for _, e := range entries {
		want[key([]record.Entry{e})] = e
	}
	for _, a := range f.got {
		e, known := want[a.Name]
		switch {
		case !known || !bytes.Equal(e.JSON, a.Body):
			t.Fatalf("%s arrived altered", a.Name)
		case next < len(entries) && e.ID == entries[next].ID:
			next++
		case next > 0 && e.ID == entries[next-1].ID:
			twice++
		default:
			t.Fatalf("%s arrived out of order", a.Name)
		}
	}
	if next != len(entries) {
		t.Fatalf("%d of %d arrived", next, len(entries))
	}
	t.Logf("%d arrived, %d of them twice; faults: %v", next, twice, f.faults)
	for _, wrong := range wrongs {
		if f.faults[wrong] == 0 && count > 1000 {
			t.Errorf("%q never happened", wrong)
		}
	}
}

// TestAHugeAnswerTakesNoMemory: of an answer, the first 64 KiB are read, whatever its headers say.
func TestAHugeAnswerTakesNoMemory(t *testing.T) {
	for _, status := range []int{200, 400, 503} {
		cfg := serve(t, func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(status)
			answerWrongly(w, r, "answer of 64 MB")
		})
		cfg.AnswerID.Pointer = "/id"
		s := openSink(t, cfg)
		e := sinktest.Weighings(1, 1)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := s.Deliver(t.Context(), e)
		runtime.ReadMemStats(&after)
		if grown := after.TotalAlloc - before.TotalAlloc; grown > 8<<20 { // 1 MiB of it the receiver's
			t.Errorf("%d: %d bytes were allocated", status, grown)
		}
		if status != 200 && err == nil || status == 200 && err != nil {
			t.Errorf("%d: %v", status, err)
		}
	}
}

// TestHeadersWithoutEnd: a server whose headers never end is left, and not read into memory.
func TestHeadersWithoutEnd(t *testing.T) {
	cfg := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		c, _, err := w.(http.Hijacker).Hijack()
		if err != nil {
			t.Error(err)
			return
		}
		defer c.Close()
		_, _ = io.WriteString(c, "HTTP/1.1 200 OK\r\n")
		for line := "X: " + strings.Repeat("y", 1<<16) + "\r\n"; ; {
			if _, err := io.WriteString(c, line); err != nil {
				return
			}
		}
	})
	n, err := openSink(t, cfg).Deliver(t.Context(), sinktest.Weighings(1, 1))
	var busy sinks.Busy
	if n != 0 || outcome(err) != "again" || errors.As(err, &busy) {
		t.Errorf("%d, %v", n, err)
	}
}
