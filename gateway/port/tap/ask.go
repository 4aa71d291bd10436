package tap

import (
	"context"
	"errors"
	"os"
	"time"

	"weighpost/gateway/port"
)

// settled is how long the balance must be silent after a whole line for an answer to be over.
const settled = 100 * time.Millisecond

// Why bytes of the program's were not sent.
const (
	whyDown    = "the balance's port is not open"
	whyTurn    = "another question was open for too long"
	whyCrowded = "too many questions wait for this balance"
	whyListen  = "the balance's port is listen_only"
	whyService = "the balance is out of service"
	whyWrite   = "the balance did not take it"
)

// asking is the program's question that is open. Tap.mu guards it.
type asking struct {
	turn   *port.Turn  // nil: none
	quiet  *time.Timer // ends the turn after silence
	answer bool        // bytes came since the program's last ones
	whole  bool        // the last of them ended a line
	at     time.Time   // when they came
	cancel func()      // ends the wait for a turn; nil: nobody waits
	said   string      // why bytes were left out, as last logged
}

// over says whether the turn has ended.
func (a *asking) over() bool {
	if a.turn == nil {
		return true
	}
	select {
	case <-a.turn.Over():
		return true
	default:
		return false
	}
}

// end ends the turn, and the wait for one: the balance has gone.
func (a *asking) end() {
	if a.cancel != nil {
		a.cancel()
	}
	a.release()
}

func (a *asking) release() {
	if a.quiet != nil {
		a.quiet.Stop()
	}
	if a.turn != nil {
		a.turn.Done()
		a.turn = nil
	}
}

// heard notes that the balance sent p.
func (a *asking) heard(p []byte, now time.Time) {
	if a.over() || len(p) == 0 {
		return
	}
	a.answer, a.at = true, now
	a.quiet.Stop()
	switch p[len(p)-1] {
	case '\r', '\n', 0x03, 0x04:
		a.whole = true
	default:
		a.whole = false
	}
}

// handled has the turn end after a silence, where the answer may be over.
func (a *asking) handled() {
	if a.turn != nil && a.answer && a.whole {
		a.quiet.Reset(settled)
	}
}

// answered says whether what the program sends now is another question.
func (a *asking) answered(now time.Time) bool {
	return a.answer && (a.whole || now.Sub(a.at) >= settled)
}

// silent ends the turn if nothing has come after a whole line.
func (t *Tap) silent(turn *port.Turn) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if a := &t.asking; a.turn == turn && a.whole && time.Since(a.at) >= settled {
		a.release()
	}
}

// ask sends what the program sent, in its turn. It waits as long as the configuration says.
func (t *Tap) ask(ctx context.Context, p []byte) {
	t.mu.Lock()
	line, epoch, why := t.line, t.epoch, ""
	switch {
	case !t.up || line == nil:
		why = whyDown
	case t.cfg.OutOfService != GoOn && t.isOut():
		why = whyService
	}
	t.mu.Unlock()
	if why == "" {
		why = t.takeTurn(ctx, line)
	}
	if why == "" && !t.still(epoch) {
		t.giveBack()
		why = whyDown
	}
	if why != "" {
		t.unsent(len(p), why)
		return
	}
	n, err := line.Write(p)
	t.note(func(s *Status) { s.Sent += uint64(n) })
	switch {
	case err == nil:
		t.note(func(s *Status) { t.asking.said = "" })
	case errors.Is(err, port.ErrListenOnly):
		t.giveBack()
		t.unsent(len(p)-n, whyListen)
	case errors.Is(err, os.ErrDeadlineExceeded):
		t.unsent(len(p)-n, whyWrite)
	default:
		t.unsent(len(p)-n, whyDown)
	}
}

// still says whether the balance's port has been open since epoch.
func (t *Tap) still(epoch uint64) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.up && t.epoch == epoch
}

// takeTurn has the balance for the program: still, where its question goes on, and otherwise anew, behind whoever waits. It says
// why that failed, or "".
func (t *Tap) takeTurn(ctx context.Context, line Line) (why string) {
	ctx, cancel := context.WithTimeout(ctx, t.cfg.wait())
	defer cancel()
	a := &t.asking
	t.mu.Lock()
	if !a.over() && !a.answered(time.Now()) {
		t.mu.Unlock()
		return ""
	}
	a.release()
	a.cancel = cancel
	t.mu.Unlock()

	turn, err := line.Turns().Take(ctx, Who, t.cfg.answer())
	t.mu.Lock()
	defer t.mu.Unlock()
	a.cancel = nil
	switch {
	case errors.Is(err, port.ErrCrowded):
		return whyCrowded
	case err != nil && !t.up:
		return whyDown
	case err != nil:
		return whyTurn
	}
	a.turn, a.answer, a.whole = turn, false, false
	a.quiet = time.AfterFunc(time.Hour, func() { t.silent(turn) })
	a.quiet.Stop()
	return ""
}

func (t *Tap) giveBack() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.asking.release()
}

// unsent counts what was not sent, and logs it where the reason is another than before.
func (t *Tap) unsent(n int, why string) {
	t.mu.Lock()
	t.status.Unsent += uint64(n)
	t.status.Why = why
	news := t.asking.said != why
	t.asking.said = why
	t.mu.Unlock()
	if news {
		t.log.Warn("what the program at the tap sent was left out", "why", why, "bytes", n)
	}
}
