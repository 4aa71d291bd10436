package once

import (
	"bytes"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"
)

func opened(t *testing.T, dir string) *Memory {
	t.Helper()
	m, err := Open(dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	return m
}

func TestTheSameRequestGetsTheSameAnswerAlsoAfterAKill(t *testing.T) {
	dir := t.TempDir()
	m := opened(t, dir)
	state := func(m *Memory, mark string, want State) Answer {
		t.Helper()
		s, a, _ := m.Begin(mark)
		if s != want {
			t.Errorf("%s: %d, want %d", mark, s, want)
		}
		return a
	}
	state(m, "ka-bx", New)
	state(m, "ka-bx", UnderWay)
	state(m, "ka-by", UnderWay)
	state(m, "kb-bx", New)
	m.Forget("kb-bx")
	state(m, "kb-bx", New)
	m.Loose("kb-bx")
	state(m, "kb-bx", Unsettled)
	state(m, "kb-bx", UnderWay)
	if err := m.Keep(Answer{Mark: "ka-bx", Status: 200, Header: map[string]string{"Content-Type": "application/json"}, Body: []byte(`{"a":1}`)}); err != nil {
		t.Fatal(err)
	}
	again := opened(t, dir) // the first one is not closed: as after a kill
	for _, m := range []*Memory{m, again} {
		if a := state(m, "ka-bx", Answered); a.Status != 200 || string(a.Body) != `{"a":1}` || a.Header["Content-Type"] != "application/json" {
			t.Errorf("%+v", a)
		}
		state(m, "ka-by", Other)
	}
	state(again, "kb-bx", New) // what was under way ended with the program: the journal tells
	if info, err := os.Stat(filepath.Join(dir, FileName)); err != nil || info.Mode().Perm() != 0o600 {
		t.Error(info, err)
	}
}

// TestADamagedLineIsAsNone: cut off anywhere, and overwritten anywhere, the other answers are there.
func TestADamagedLineIsAsNone(t *testing.T) {
	dir := t.TempDir()
	m := opened(t, dir)
	for i := range 3 {
		if err := m.Keep(Answer{Mark: fmt.Sprintf("k%d-b", i), Status: 200, Body: []byte("ok")}); err != nil {
			t.Fatal(err)
		}
	}
	whole, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.SplitAfter(whole, []byte("\n"))
	last := len(whole) - len(lines[2])
	for cut := last; cut < len(whole); cut++ {
		other := t.TempDir()
		if err := os.WriteFile(filepath.Join(other, FileName), whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		m := opened(t, other)
		for i, want := range []State{Answered, Answered, New} {
			if s, _, _ := m.Begin(fmt.Sprintf("k%d-b", i)); s != want {
				t.Fatalf("cut at %d: answer %d is %d", cut, i, s)
			}
		}
	}
	whole[len(lines[0])+4] = 0
	if err := os.WriteFile(filepath.Join(dir, FileName), whole, 0o600); err != nil {
		t.Fatal(err)
	}
	m = opened(t, dir)
	for i, want := range []State{Answered, New, Answered} {
		if s, _, _ := m.Begin(fmt.Sprintf("k%d-b", i)); s != want {
			t.Errorf("answer %d is %d", i, s)
		}
	}
}

func TestTheMemoryIsBounded(t *testing.T) {
	dir := t.TempDir()
	m := opened(t, dir)
	now := time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)
	m.now = func() time.Time { return now }
	body := make([]byte, largest)
	for i := range 2 * mostBytes / largest {
		if err := m.Keep(Answer{Mark: fmt.Sprintf("k%d-b", i), Status: 200, Body: body}); err != nil {
			t.Fatal(err)
		}
	}
	if info, err := os.Stat(filepath.Join(dir, FileName)); err != nil || info.Size() > 2*mostBytes || m.size > mostBytes {
		t.Error(info.Size(), m.size, err)
	}
	if s, _, _ := m.Begin("k0-b"); s != New {
		t.Error("the oldest has not made room")
	}
	if s, _, _ := m.Begin(fmt.Sprintf("k%d-b", 2*mostBytes/largest-1)); s != Answered {
		t.Error("the newest is gone")
	}
	if err := m.Keep(Answer{Mark: "kl-b", Body: make([]byte, largest+1)}); err != ErrLarge {
		t.Error(err)
	}
	few := opened(t, t.TempDir())
	few.now = m.now
	if err := few.Keep(Answer{Mark: "ka-b", Status: 200}); err != nil {
		t.Fatal(err)
	}
	now = now.Add(Keep - time.Second)
	if s, _, _ := few.Begin("ka-b"); s != Answered {
		t.Error("it is forgotten before its time")
	}
}
