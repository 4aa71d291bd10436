package sinktest

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// memory is a destination and its sink in one, with one fault at a time.
type memory struct {
	fault string // "" for a sink that keeps every promise

	mu           sync.Mutex
	got          []Arrival
	gone, denied bool
	hangs, loses bool
	wait         time.Duration
	refuses      map[string]bool
}

func (m *memory) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	if m.fault == "shuffles" {
		entries = slices.Clone(entries)
		slices.Reverse(entries)
	}
	for i, e := range entries {
		if err := m.one(ctx, e); err != nil {
			return i, err
		}
	}
	return len(entries), nil
}

func (m *memory) one(ctx context.Context, e record.Entry) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.denied && m.fault != "parks instead of stopping":
		return sinks.Unusable{Err: errors.New("who are you")}
	case m.denied:
		return sinks.Refused{Err: errors.New("who are you")}
	case m.gone && m.fault == "acknowledges what it lost":
		return nil
	case m.gone && m.fault == "gives up":
		return sinks.Refused{Err: errors.New("nobody there")}
	case m.gone:
		return errors.New("nobody there")
	case m.hangs:
		m.mu.Unlock()
		<-ctx.Done()
		m.mu.Lock()
		return ctx.Err()
	case m.wait > 0 && m.fault != "forgets the wait":
		return sinks.Busy{Err: errors.New("later"), After: m.wait}
	case m.wait > 0:
		return errors.New("later")
	case m.refuses[e.ID] && m.fault != "retries for ever":
		return sinks.Refused{Err: errors.New("not this one")}
	case m.refuses[e.ID]:
		return errors.New("not this one")
	}
	body := bytes.Clone(e.JSON)
	switch m.fault {
	case "rounds":
		body = bytes.Replace(body, []byte(`0","unit"`), []byte(`","unit"`), 1)
	case "new id each time":
		body = bytes.Replace(body, []byte(`"id":"`), []byte(`"id":"`+time.Now().Format("150405.000000000")), 1)
	}
	m.got = append(m.got, Arrival{Name: "message", Body: body})
	if m.loses {
		m.loses = false
		return errors.New("cut")
	}
	return nil
}

func (m *memory) Close() error {
	if m.fault == "never closes" {
		time.Sleep(time.Second)
	}
	return nil
}

func (m *memory) set(f func()) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f()
}

func (m *memory) harness() Harness {
	h := Harness{
		Open: func() (sinks.Sink, error) { return m, nil },
		Received: func() []Arrival {
			m.mu.Lock()
			defer m.mu.Unlock()
			return slices.Clone(m.got)
		},
		Break:      func() { m.set(func() { m.gone = true }) },
		Mend:       func() { m.set(func() { m.gone = false }) },
		Refuse:     func(id string) { m.set(func() { m.refuses = map[string]bool{id: true} }) },
		Busy:       func(d time.Duration) { m.set(func() { m.wait = d }) },
		Deny:       func(on bool) { m.set(func() { m.denied = on }) },
		Hang:       func(on bool) { m.set(func() { m.hangs = on }) },
		LoseAnswer: func() { m.set(func() { m.loses = true }) },
	}
	if m.fault == "never closes" {
		h.Within = 300 * time.Millisecond
	}
	return h
}

func TestKeepsEveryPromise(t *testing.T) {
	Run(t, func(*testing.T) Harness { return (&memory{}).harness() })
}

const faultVariable = "SINKTEST_FAULT"

// TestFaulty is the body of TestSuiteCanFail: it runs in a process of its own, and fails there.
func TestFaulty(t *testing.T) {
	fault := os.Getenv(faultVariable)
	if fault == "" {
		t.Skip("runs only inside TestSuiteCanFail, in a process of its own")
	}
	Run(t, func(*testing.T) Harness { return (&memory{fault: fault}).harness() })
}

// TestSuiteCanFail breaks one promise at a time and wants the suite to name it.
func TestSuiteCanFail(t *testing.T) {
	for fault, promise := range map[string]string{
		"shuffles":                  "delivers in order",
		"acknowledges what it lost": "acknowledges nothing that did not arrive",
		"gives up":                  "acknowledges nothing that did not arrive",
		"parks instead of stopping": "tells when the sink itself is turned away",
		"forgets the wait":          "keeps to the wait that a busy destination asks for",
		"retries for ever":          "tells refused from try again",
		"rounds":                    "carries 1,000 weighings with digits, unit, sign and time unchanged",
		"new id each time":          "keeps one id when the answer is lost",
		"never closes":              "ends Close in time",
	} {
		t.Run(fault, func(t *testing.T) {
			t.Parallel()
			only := "^TestFaulty$/^" + regexp.QuoteMeta(strings.ReplaceAll(promise, " ", "_")) + "$"
			cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run="+only, "-test.v")
			cmd.Env = append(os.Environ(), faultVariable+"="+fault)
			out, err := cmd.CombinedOutput()
			want := "--- FAIL: TestFaulty/" + strings.ReplaceAll(promise, " ", "_")
			if err == nil || !strings.Contains(string(out), want) {
				t.Errorf("a sink that %q passes the promise %q (%v):\n%s", fault, promise, err, out)
			}
		})
	}
}

func TestWeighingsAreEntries(t *testing.T) {
	entries := Weighings(2000, 1)
	again := Weighings(2000, 1)
	seen := make(map[string]bool)
	for i, e := range entries {
		if !bytes.Equal(e.JSON, again[i].JSON) {
			t.Fatalf("entry %d differs from one call to the next", i)
		}
		p, err := record.ParseEntry(e.JSON)
		if err != nil {
			t.Fatal(err)
		}
		if p.Seq != uint64(i+1) || p.ID != e.ID || p.Balance != e.Balance || p.Kind != e.Kind || seen[p.ID] {
			t.Fatalf("entry %d: head %+v, want %+v", i, p, e)
		}
		seen[p.ID] = true
	}
}

// TestWeighingsCoverTheHardCases counts what makes digits hard to carry.
func TestWeighingsCoverTheHardCases(t *testing.T) {
	count := make(map[string]int)
	for _, e := range Weighings(1000, seed) {
		f := FactOf(t, e)
		count["unit "+f.Unit]++
		count["range "+f.InRange]++
		if f.Digits == "" {
			continue
		}
		switch f.Digits[0] {
		case '+', '-':
			count["sign "+f.Digits[:1]]++
		default:
			count["no sign"]++
		}
		_, part, _ := strings.Cut(f.Digits, ".")
		count["decimals "+strings.Repeat("0", len(part))]++
		bare := strings.TrimLeft(f.Digits, "+-")
		switch {
		case strings.Trim(bare, "0.") == "" && f.Digits[0] == '-':
			count["minus zero"]++
		case bare[0] == '.':
			count["no leading digit"]++
		case strings.HasPrefix(bare, "00"):
			count["leading zeros"]++
		}
		if strings.HasSuffix(part, "0") {
			count["trailing zero"]++
		}
	}
	if len(count) < len(units)+3+3+8+4-1 {
		t.Errorf("a hard case is missing: %v", count)
	}
	for what, n := range count {
		if n < 3 {
			t.Errorf("only %d weighings with %s", n, what)
		}
	}
}
