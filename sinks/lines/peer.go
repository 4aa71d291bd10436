package lines

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
)

// peer is one program.
type peer struct {
	conn Conn
	name string
	gone chan struct{} // closed when it went

	mu    sync.Mutex
	heard []byte        // what came since the last line, the newest mostHeard bytes
	news  chan struct{} // told when something came
}

// mostHeard bounds what is kept of what a program says.
const mostHeard = 4 << 10

var errSilent = errors.New("the program did not acknowledge the line in time")

// read takes what a program says until it goes.
func (s *Sink) read(p *peer) {
	b := make([]byte, 512)
	for {
		n, err := p.conn.Read(b)
		if n > 0 {
			s.hear(p, b[:n])
		}
		if err != nil && n == 0 {
			if errors.Is(err, io.EOF) {
				err = errors.New("the program went away")
			}
			s.gone(p, err)
			return
		}
	}
}

// hear keeps what came, and answers questions in it.
func (s *Sink) hear(p *peer, b []byte) {
	p.mu.Lock()
	p.heard = append(p.heard, b...)
	if n := len(p.heard) - mostHeard; n > 0 {
		p.heard = append(p.heard[:0], p.heard[n:]...)
	}
	p.mu.Unlock()
	select {
	case p.news <- struct{}{}:
	default:
	}
	if s.cfg.AskedBy == "" {
		return
	}
	if p.takes(s.cfg.AskedBy) {
		p.forgetAsked(s.cfg.AskedBy)
		s.answer(p)
	}
}

// takes says whether a token came, and forgets it and all before.
func (p *peer) takes(token string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	i := bytes.Index(p.heard, []byte(token))
	if i >= 0 {
		p.heard = append(p.heard[:0], p.heard[i+len(token):]...)
	}
	return i >= 0
}

// forgetAsked forgets further questions that came in one piece with the first: whoever asks again before the answer is there
// gets one answer.
func (p *peer) forgetAsked(token string) {
	for p.takes(token) {
	}
}

// forget forgets what came before a line: it acknowledges none that follows.
func (p *peer) forget() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.heard = p.heard[:0]
}

// await waits for a token.
func (p *peer) await(ctx context.Context, token string) error {
	for {
		if p.takes(token) {
			return nil
		}
		select {
		case <-p.news:
		case <-p.gone:
			return errors.New("the program went before it acknowledged the line")
		case <-ctx.Done():
			return fmt.Errorf("%w: %w", errSilent, ctx.Err())
		}
	}
}
