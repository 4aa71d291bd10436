// Package lines delivers entries as lines of text to programs that know nothing of weighpost: it is what serial-out and tcp-out
// share. A [Door] finds the programs; lines writes to those that are there, or answers when they ask.
//
// Nobody at the other end says that a line is kept. What "delivered" means is therefore no more than this: without acknowledge,
// the line was written and has left this computer (on TCP under Linux: the other computer has it); with acknowledge, the program
// said so; with asked_by and next, the line went out after the program asked for it.
//
//	no program, port gone, line not taken or not acknowledged in time    tried again
//	the port or address may not be used                                  the sink is stopped
//	the format, or the code page, cannot hold the entry                  the entry is refused
//
// A line whose end could not be written is followed, once the other end takes something again, by CAN (ECMA-48, 8.3.6: what came
// before is in error) and a line end where the other end would join it to the next, as on a serial line.
package lines

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"sync"
	"syscall"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Conn is one program, or the line that it reads. One goroutine reads and one writes; Close frees both.
type Conn interface {
	io.ReadWriteCloser
	// Drain waits until what was written has left this computer, or until ctx ends.
	Drain(ctx context.Context) error
}

// Confirming is a Conn that tells how far the other end has come, without waiting. Over it much can be under way at once.
type Confirming interface {
	Conn
	// Unconfirmed is how many of the bytes that were written the other computer does not have yet.
	Unconfirmed() (int, error)
}

// Door finds programs.
type Door interface {
	// Next waits for one more program, or fails. It is called by one goroutine at a time, again after an error, until ctx ends.
	Next(ctx context.Context) (c Conn, name string, err error)
	// Close lets go of what Next works with. It is called once, after the last Next.
	Close() error
}

// Nature is what a Door's programs are like.
type Nature struct {
	// Most is how many programs can be there at once; more are turned away. 1 with Found: Next is called only while none is there.
	Most  int
	Found bool
	// Joined: what was cut off in one Conn goes on in the next, as on a serial line, which nobody sees the end of.
	Joined bool
	// Write is how long one line may take to be written and drained. Of many that are under way at once, it is how long nothing at all
	// may leave.
	Write time.Duration
	Where string // the place, in words: "serial port /dev/ttyUSB0"
}

const (
	firstTry = 200 * time.Millisecond
	lastTry  = 5 * time.Second
	// cutMark ends a line that was cut off: see the package's comment.
	cutMark = "\x18"
)

// Sink writes lines. Deliver is for one goroutine at a time.
type Sink struct {
	cfg    Config
	nature Nature
	door   Door
	log    *slog.Logger
	words  *writer
	end    context.CancelFunc
	kept   sync.WaitGroup // the keeper and one reader for each program
	offer  offer
	skips  []record.Answered // of the last Deliver
	late   late              // on a joined line

	mu      sync.Mutex
	peers   []*peer
	changed chan struct{} // closed when peers or trouble changed
	trouble error         // why there is nobody
	cut     bool          // the last line on a joined line is not whole
	closed  bool
}

// New makes a sink and begins to look for programs.
func New(cfg Config, id string, env sinks.Env, n Nature, door Door) (*Sink, error) {
	words, err := cfg.writer(env)
	if err != nil {
		return nil, err
	}
	ctx, end := context.WithCancel(context.Background()) // ended by Close
	s := &Sink{cfg: cfg, nature: n, door: door, log: env.Logger(id), words: words, end: end, changed: make(chan struct{})}
	s.offer.init()
	s.kept.Go(func() { s.keep(ctx) })
	return s, nil
}

// Close lets go of the programs.
func (s *Sink) Close() error {
	s.end()
	s.mu.Lock()
	s.closed = true
	peers := append([]*peer(nil), s.peers...)
	s.mu.Unlock()
	for _, p := range peers {
		_ = p.conn.Close()
	}
	s.kept.Wait()
	return nil
}

// keep finds programs until ctx ends.
func (s *Sink) keep(ctx context.Context) {
	defer func() { _ = s.door.Close() }()
	for wait := firstTry; ctx.Err() == nil; {
		if s.nature.Found && !s.lonely(ctx) {
			return
		}
		conn, name, err := s.door.Next(ctx)
		if err == nil {
			wait = firstTry
			s.welcome(conn, name)
			continue
		}
		if ctx.Err() != nil {
			return
		}
		s.set(func() { s.trouble = err })
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, lastTry)
	}
}

// lonely waits until no program is there; false when ctx ended before.
func (s *Sink) lonely(ctx context.Context) bool {
	for {
		peers, changed, _ := s.state()
		if len(peers) == 0 {
			return true
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return false
		}
	}
}

// set changes the state and tells those who wait for it.
func (s *Sink) set(change func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change()
	close(s.changed)
	s.changed = make(chan struct{})
}

func (s *Sink) state() (peers []*peer, changed <-chan struct{}, trouble error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]*peer(nil), s.peers...), s.changed, s.trouble
}

// welcome takes a program in, or turns it away.
func (s *Sink) welcome(conn Conn, name string) {
	p := &peer{conn: conn, name: name, gone: make(chan struct{}), news: make(chan struct{}, 1)}
	taken := false
	s.set(func() {
		if taken = !s.closed && len(s.peers) < s.nature.Most; taken {
			s.peers, s.trouble = append(s.peers, p), nil
			s.kept.Go(func() { s.read(p) })
		}
	})
	if !taken {
		_ = conn.Close()
		s.log.Warn("a program was turned away: no more may be connected at once", "from", name, "most", s.nature.Most)
	}
}

// gone forgets a program.
func (s *Sink) gone(p *peer, why error) {
	_ = p.conn.Close()
	s.set(func() {
		for i, one := range s.peers {
			if one == p {
				s.peers = append(s.peers[:i], s.peers[i+1:]...)
				close(p.gone)
				s.trouble = why
				return
			}
		}
	})
}

// someone gives the programs that are there. It waits for one until ctx ends; where the caller has delivered lines that are not
// counted yet, they would wait as well, and it does not.
func (s *Sink) someone(ctx context.Context, uncounted int) ([]*peer, error) {
	for {
		peers, changed, trouble := s.state()
		if len(peers) > 0 {
			return peers, nil
		}
		if unusable(trouble) {
			return nil, sinks.Unusable{Err: trouble}
		}
		if uncounted > 0 || ctx.Err() != nil {
			if trouble == nil {
				trouble = errors.New("no program is there")
			}
			return nil, fmt.Errorf("%s: %w", s.nature.Where, trouble)
		}
		select {
		case <-changed:
		case <-ctx.Done():
		}
	}
}

// unusable says whether waiting does not help: a person has to allow something, or to correct the address.
func unusable(err error) bool {
	return errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EADDRNOTAVAIL)
}

// Receipts tells what was left out for its age by the last Deliver.
func (s *Sink) Receipts() []record.Answered {
	list := s.skips
	s.skips = nil
	return list
}

// Deliver sends lines, or offers them to programs that ask.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (n int, err error) {
	s.skips = nil
	switch {
	case s.cfg.AskedBy == "":
		return s.push(ctx, entries)
	case s.cfg.Answer == Newest:
		return s.show(entries)
	}
	return s.offerAll(ctx, entries)
}
