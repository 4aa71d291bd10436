package setup

import (
	"context"
	"errors"
	"io"
	"os"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port"
)

// scripted is what one read of a script brings: bytes, or quiet.
type scripted struct {
	bytes   string
	damaged []int
	err     error
}

var quiet = scripted{err: os.ErrDeadlineExceeded}

// script is a port that plays reads and then stays silent.
type script struct {
	mu     sync.Mutex
	steps  []scripted
	last   scripted
	closed bool
}

func (s *script) Read(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.steps) == 0 {
		s.last = scripted{}
		time.Sleep(time.Millisecond)
		return 0, os.ErrDeadlineExceeded
	}
	s.last, s.steps = s.steps[0], s.steps[1:]
	return copy(p, s.last.bytes), s.last.err
}

func (s *script) Marks() (damaged, breaks []int) { return s.last.damaged, nil }
func (*script) Write([]byte) (int, error)        { return 0, errors.New("nothing may be sent") }
func (*script) SetReadDeadline(time.Time) error  { return nil }

func (s *script) Close() error {
	s.closed = true
	return nil
}

func opener(s *script) Opener {
	return func(context.Context, port.Config) (port.Port, error) { return s, nil }
}

func TestListenTakesDownLinesAndPauses(t *testing.T) {
	s := &script{steps: []scripted{quiet, {bytes: "  1.0 g\r\n  2"}, {bytes: ".0 g\r\n"}, quiet, quiet, {bytes: "FULL"}, quiet, {bytes: "3.0 g\r"}, {bytes: "\n"}, quiet}}
	var lines []string
	got, err := Listen(t.Context(), opener(s), port.Config{}, ListenOptions{Lines: 4, Show: func(l []byte) { lines = append(lines, string(l)) }})
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"  1.0 g\r\n", "  2.0 g\r\n", "FULL", "3.0 g\r\n"}; !reflect.DeepEqual(lines, want) {
		t.Errorf("lines %q, want %q", lines, want)
	}
	if want := "  1.0 g\r\n  2.0 g\r\nFULL3.0 g\r\n"; string(got.Sample.Bytes) != want {
		t.Errorf("bytes %q, want %q", got.Sample.Bytes, want)
	}
	if want := []int{18, 22}; !reflect.DeepEqual(got.Sample.Pauses, want) {
		t.Errorf("pauses %v, want %v", got.Sample.Pauses, want)
	}
	if !s.closed {
		t.Error("the port was left open")
	}
}

// TestListenLeavesDamagedLinesOut keeps what a parity error made of a digit out of what is learnt from.
func TestListenLeavesDamagedLinesOut(t *testing.T) {
	s := &script{steps: []scripted{{bytes: "1.0 g\r\n"}, {bytes: "2.\x00 g\r\n3.0", damaged: []int{2}}, {bytes: " g\r\n"}, quiet,
		{bytes: "\x00\x00.0 g\r\n", damaged: []int{0, 1}}, quiet, {bytes: "5.0 g\r\n"}, quiet}}
	got, err := Listen(t.Context(), opener(s), port.Config{}, ListenOptions{Lines: 5})
	if err != nil {
		t.Fatal(err)
	}
	if want := "1.0 g\r\n3.0 g\r\n5.0 g\r\n"; string(got.Sample.Bytes) != want {
		t.Errorf("bytes %q, want %q", got.Sample.Bytes, want)
	}
	if got.Damaged != 3 || got.LeftOut != 2 || !reflect.DeepEqual(got.Sample.Pauses, []int{14}) {
		t.Errorf("%d damaged, %d left out, pauses %v", got.Damaged, got.LeftOut, got.Sample.Pauses)
	}
}

func TestListenEnds(t *testing.T) {
	t.Run("with its time, and the rest of a line", func(t *testing.T) {
		s := &script{steps: []scripted{{bytes: "1.0 g\r\n2."}, {bytes: "0 g\r\n"}, quiet}}
		got, err := Listen(t.Context(), opener(s), port.Config{}, ListenOptions{For: time.Nanosecond})
		if err != nil || string(got.Sample.Bytes) != "1.0 g\r\n2.0 g\r\n" {
			t.Errorf("%q, %v", got.Sample.Bytes, err)
		}
	})
	t.Run("with its context", func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
		defer cancel()
		if _, err := Listen(ctx, opener(&script{}), port.Config{}, ListenOptions{}); !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
	})
	t.Run("with its port, and what came before", func(t *testing.T) {
		s := &script{steps: []scripted{{bytes: "1.0 g\r\n"}, {err: io.ErrClosedPipe}}}
		got, err := Listen(t.Context(), opener(s), port.Config{}, ListenOptions{})
		if !errors.Is(err, io.ErrClosedPipe) || got.Lines != 1 {
			t.Errorf("%v, %v", got, err)
		}
	})
	t.Run("with a person", func(t *testing.T) {
		s := &script{steps: []scripted{{bytes: "1.0 g\r\n"}, quiet}}
		p := &talker{answers: map[string]string{"done": ""}, wait: 20 * time.Millisecond}
		got, err := ListenWith(t.Context(), opener(s), port.Config{}, p, "Press print.", ListenOptions{})
		if err != nil || got.Lines != 1 || !strings.Contains(p.told(), "   1  1.0 g<CR><LF>") {
			t.Errorf("%v, %v, told %q", got, err, p.told())
		}
	})
	t.Run("at a limit", func(t *testing.T) {
		s := &script{}
		for range 300 {
			s.steps = append(s.steps, scripted{bytes: strings.Repeat("x", 4096)})
		}
		got, err := Listen(t.Context(), opener(s), port.Config{}, ListenOptions{})
		if err != nil || len(got.Sample.Bytes) != 1<<20 {
			t.Errorf("%d bytes, %v", len(got.Sample.Bytes), err)
		}
	})
}

// talker is a person with answers by key. A key with several answers has them after each other, parted by "|".
type talker struct {
	answers map[string]string
	wait    time.Duration // before each answer

	mu    sync.Mutex
	texts []string
	asked []string
}

func (p *talker) Tell(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.texts = append(p.texts, text)
}

func (p *talker) told() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Join(p.texts, "\n")
}

func (p *talker) Ask(ctx context.Context, q Question) (string, error) {
	p.mu.Lock()
	p.texts = append(p.texts, q.Text)
	for _, c := range q.Choices {
		p.texts = append(p.texts, c.Text)
	}
	p.asked = append(p.asked, q.Key)
	all, ok := p.answers[q.Key]
	answer, rest, more := strings.Cut(all, "|")
	if more {
		p.answers[q.Key] = rest
	}
	p.mu.Unlock()
	if !ok {
		return "", ErrNobody
	}
	select {
	case <-ctx.Done():
		return "", context.Cause(ctx)
	case <-time.After(p.wait):
	}
	if answer == "" {
		return q.Default, nil
	}
	return answer, nil
}
