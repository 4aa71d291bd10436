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
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"slices"
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

const (
	// window is how many bytes of lines are under way before it is waited for that the other computer has them. It may take 40 ms to say
	// so. What it has said of a part of them counts also when the connection then breaks.
	window = 256 << 10
	// stride is how many bytes are written at a time.
	stride = 16 << 10
	// It is looked so often whether the other computer has everything.
	firstLook, lastLook = 50 * time.Microsecond, 5 * time.Millisecond
)

// piece is what is sent at once.
type piece struct {
	text []byte
	ends []int // where in text the line of each entry ends; one that is left out has none, and ends where the one before does
}

// whole is how many leading entries are in the first bytes.
func (p *piece) whole(bytes int) (n int) {
	for n < len(p.ends) && p.ends[n] <= bytes {
		n++
	}
	return n
}

func (s *Sink) push(ctx context.Context, entries []record.Entry) (n int, err error) {
	for n < len(entries) {
		p, err := s.gather(entries[n:])
		if len(p.text) > 0 {
			if had, err := s.send(ctx, entries[n], p.text, n); err != nil {
				n += p.whole(had)
				s.unskip(entries[n:])
				return n, err
			}
		}
		if n += len(p.ends); err != nil {
			return n, err
		}
	}
	return n, nil
}

// gather joins the lines of entries that are sent at once: of one where each is acknowledged, or where half of one may be lost. The error
// is about the entry after them.
func (s *Sink) gather(entries []record.Entry) (p piece, err error) {
	for i, e := range entries {
		if s.tooOld(e) {
			p.ends = append(p.ends, len(p.text))
			continue
		}
		line, err := s.words.line(e)
		if err != nil {
			return p, sinks.Refused{Err: err}
		}
		if len(p.text) > 0 && (s.cfg.Acknowledge != "" || s.nature.Joined || len(p.text)+len(line) > window) {
			return p, nil
		}
		if p.text == nil && s.cfg.Acknowledge == "" && !s.nature.Joined {
			p.text = make([]byte, 0, min(window, (len(line)+len(line)/8)*(len(entries)-i))) // lines are most often alike
		}
		p.text = append(p.text, line...)
		p.ends = append(p.ends, len(p.text))
	}
	return p, nil
}

// unskip takes back that entries were left out which are not accepted: they come again.
func (s *Sink) unskip(entries []record.Entry) {
	s.skips = slices.DeleteFunc(s.skips, func(a record.Answered) bool { return a.Seq >= entries[0].Seq })
}

// tooOld says whether an entry is left out for its age, and notes that.
func (s *Sink) tooOld(e record.Entry) bool {
	most := s.cfg.SkipAfter.D()
	if most == 0 {
		return false
	}
	age, known := ageOf(e)
	if !known || age <= most {
		return false
	}
	s.skips = append(s.skips, record.Answered{Seq: e.Seq, ID: e.ID, Given: fmt.Sprintf("left out: older than %s when its turn came", most)})
	s.log.Warn("an entry was left out: it is older than skip_after", "entry", e.ID, "age", age.Round(time.Second))
	return true
}

// ageOf is how long ago an entry's stamp is, by this computer's clock.
func ageOf(e record.Entry) (age time.Duration, known bool) {
	var body struct {
		Stamp struct{ UTC record.UTC }
	}
	if json.Unmarshal(e.JSON, &body) != nil || body.Stamp.UTC.Time().IsZero() {
		return 0, false
	}
	return time.Since(body.Stamp.UTC.Time()), true
}

// send writes to every program that is there. It is delivered when all that stay have it, and one does; else had is how many bytes of it
// one program has for certain that went then. e is the
// entry of the first line, and uncounted how many entries of the same Deliver came before.
func (s *Sink) send(ctx context.Context, e record.Entry, text []byte, uncounted int) (had int, err error) {
	peers, err := s.someone(ctx, uncounted)
	if err != nil {
		return 0, err
	}
	delivered := false
	for _, p := range peers {
		if s.cfg.Acknowledge != "" {
			s.settle(ctx, p, e)
		}
		n, werr := s.write(ctx, p, text)
		if s.cfg.Acknowledge != "" {
			if n = 0; werr == nil {
				werr = s.acknowledged(ctx, p, e)
			}
		}
		if werr == nil {
			delivered = true
			continue
		}
		had, err = max(had, n), fmt.Errorf("%s: %w", p.name, werr)
		if s.log.Enabled(ctx, slog.LevelInfo) && len(peers) > 1 {
			s.log.Info("a program did not take a line", "program", p.name, "entry", e.ID, "why", werr)
		}
	}
	if delivered {
		return len(text), nil
	}
	return had, err
}

// late are acknowledgements that may still come for an entry whose line went out more than once: they are not to be taken for
// those of the next line.
type late struct {
	entry string
	n     int
}

// settle waits for late acknowledgements of another entry, each as long as one may take.
func (s *Sink) settle(ctx context.Context, p *peer, e record.Entry) {
	if s.late.entry == e.ID {
		return
	}
	for ; s.late.n > 0; s.late.n-- {
		limit, cancel := context.WithTimeout(ctx, s.cfg.AcknowledgeWithin.D())
		err := p.await(limit, s.cfg.Acknowledge)
		cancel()
		if err != nil && ctx.Err() == nil {
			s.late.n = 1 // it has been silent for long enough
		} else if err != nil {
			return
		}
	}
}

// acknowledged waits for the program to say that it has the line. One that does not is let go, where another can come.
func (s *Sink) acknowledged(ctx context.Context, p *peer, e record.Entry) error {
	limit, cancel := context.WithTimeout(ctx, s.cfg.AcknowledgeWithin.D())
	defer cancel()
	err := p.await(limit, s.cfg.Acknowledge)
	switch {
	case err == nil:
	case s.nature.Joined:
		if s.late.entry != e.ID {
			s.late = late{entry: e.ID}
		}
		s.late.n++
	default:
		s.gone(p, err)
	}
	return err
}

// write writes lines and waits until they have left. Where that fails, had is how many bytes of them the other computer has for certain.
func (s *Sink) write(ctx context.Context, p *peer, text []byte) (had int, err error) {
	if s.nature.Joined && s.isCut() {
		text = append([]byte(cutMark+s.cfg.LineEnd), text...)
	}
	p.forget()
	s.setCut(true)
	if far, tells := p.conn.(Confirming); tells {
		had, err = s.stream(ctx, far, text)
	} else {
		err = s.within(ctx, p.conn, func(limit context.Context) error {
			if _, err := p.conn.Write(text); err != nil {
				return err
			}
			return p.conn.Drain(limit)
		})
	}
	if err != nil {
		s.gone(p, err)
		return had, fmt.Errorf("the line could not be sent whole: %w", err)
	}
	s.setCut(false)
	return len(text), nil
}

// stream writes on while what went before is on its way, and then waits until the other computer has all of it. Nothing of what was
// written before is under way.
func (s *Sink) stream(ctx context.Context, far Confirming, text []byte) (had int, err error) {
	for sent := 0; sent < len(text); {
		part := text[sent:min(sent+stride, len(text))]
		err := s.within(ctx, far, func(context.Context) error {
			_, err := far.Write(part)
			return err
		})
		if err != nil {
			return had, err
		}
		sent += len(part)
		left, err := far.Unconfirmed()
		if err != nil {
			return had, err
		}
		had = max(had, sent-left)
	}
	patience := time.Now().Add(s.nature.Write)
	for wait := firstLook; ; wait = min(2*wait, lastLook) {
		left, err := far.Unconfirmed()
		switch now := time.Now(); {
		case err != nil:
			return had, err
		case left == 0:
			return len(text), nil
		case len(text)-left > had: // it gets on
			had, patience = len(text)-left, now.Add(s.nature.Write)
		case now.After(patience):
			return had, os.ErrDeadlineExceeded
		}
		select {
		case <-ctx.Done():
			return had, ctx.Err()
		case <-time.After(wait):
		}
	}
}

// within runs what may hang on a connection, and frees it by closing that when it takes longer than a line may.
func (s *Sink) within(ctx context.Context, c Conn, do func(limit context.Context) error) error {
	limit, cancel := context.WithTimeout(ctx, s.nature.Write)
	defer cancel()
	defer context.AfterFunc(limit, func() { _ = c.Close() })()
	return do(limit)
}

func (s *Sink) isCut() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cut
}

func (s *Sink) setCut(cut bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cut = cut
}
