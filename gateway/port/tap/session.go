package tap

import (
	"context"
	"errors"
	"fmt"
	"os"

	"weighpost/gateway/health"
)

// serve passes bytes both ways until the program goes or ctx ends.
func (t *Tap) serve(ctx context.Context, s session) {
	b := newBuffer()
	t.welcome(b)
	t.log.Info("a program is at the tap")
	written := make(chan struct{})
	go func() {
		defer close(written)
		defer s.close()
		t.give(b, s)
	}()
	stop := context.AfterFunc(ctx, s.close)
	defer stop()
	p := make([]byte, 4096)
	for {
		n, err := s.Read(p)
		if n > 0 {
			t.ask(ctx, p[:n])
		}
		if err != nil {
			break
		}
	}
	s.close()
	b.close()
	<-written
	t.farewell()
	t.log.Info("the program at the tap has gone")
}

// welcome has what the balance sends from now on go to the program. A line that is under way is not its.
func (t *Tap) welcome(b *buffer) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.program = b
	t.status.Program = true
	t.course.join()
}

func (t *Tap) farewell() {
	t.mu.Lock()
	t.program = nil
	t.status.Program = false
	t.mu.Unlock()
	t.caughtUp()
}

// give hands the program what waits for it, until its session ends.
func (t *Tap) give(b *buffer, s session) {
	p := make([]byte, 1024)
	for {
		n := b.take(p)
		if n == 0 {
			return
		}
		done, err := s.Write(p[:n])
		t.note(func(s *Status) { s.Received += uint64(done) })
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded): // a second serial port that is held up: see the package's comment
			b.skipLine()
			t.left()
		case err != nil:
			return
		case b.empty():
			t.caughtUp()
		}
	}
}

// left counts a line that the program was not given, and says so where that is news.
func (t *Tap) left() {
	t.telling.Lock()
	defer t.telling.Unlock()
	t.mu.Lock()
	t.status.Left++
	there := t.program != nil
	t.mu.Unlock()
	if t.behind || !there {
		return
	}
	t.behind = true
	t.log.Warn("the program at the tap does not read: lines are left out")
	t.board.Raise(health.Condition{
		Code: health.TapBehind, Subject: t.balance, Severity: health.Warning,
		Sentence: fmt.Sprintf("The program that shares balance %s at %s does not read what the balance sends: lines are left out for it. weighpost records them.", t.balance, t.cfg.Where()),
		Remedy:   "See why the program stands still, and start it again.",
	})
}

// caughtUp says that the program has read all that waited for it, or has gone.
func (t *Tap) caughtUp() {
	t.telling.Lock()
	defer t.telling.Unlock()
	if t.behind {
		t.behind = false
		t.board.Clear(health.TapBehind, t.balance)
	}
}
