package lines

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

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

// send writes to every program that is there. It is delivered when all that stay have it, and one does; else had is how many bytes of
// it one program has for certain that went then. e is the entry of the first line, and uncounted how many entries of the same Deliver
// came before.
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
