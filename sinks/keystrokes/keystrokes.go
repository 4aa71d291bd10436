// Package keystrokes types weighings where the cursor of another computer is: this computer plays a USB keyboard to it (Linux's USB
// gadget, function hid), for programs that take nothing but typing.
//
// Nobody answers a keyboard. A weighing counts as delivered once the other computer has fetched all its keys; which program had
// the cursor then, nobody knows. So nothing is typed late, and nothing is typed twice because a part of it could not be typed: what
// was typed of each entry, and what not, is kept in the journal.
package keystrokes

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Sink is one keyboard.
type Sink struct {
	cfg    Config
	log    *slog.Logger
	keys   map[rune]stroke
	form   format.Format // of a template, or nil
	before []stroke
	after  []stroke
	told   []record.Answered
}

// New makes the sink. The device need not be there.
func New(cfg Config, id string, env sinks.Env) (*Sink, error) {
	s := &Sink{cfg: cfg, log: env.Logger(id), keys: keymaps[cfg.Map].strokesOf()}
	for _, name := range cfg.Before {
		s.before = append(s.before, named[name])
	}
	for _, name := range cfg.After {
		s.after = append(s.after, named[name])
	}
	var err error
	if cfg.Text == Template {
		choice := cfg.choice()
		s.form, err = choice.Open(env)
	}
	return s, err
}

// text is what is typed for an entry.
func (s *Sink) text(e record.Entry) (string, error) {
	if s.form != nil {
		p, err := s.form.Entry(e)
		return string(p.Body), err
	}
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		return "", fmt.Errorf("entry %s cannot be read: %w", e.ID, err)
	}
	if w.Value.Digits == "" {
		return "", fmt.Errorf("entry %s has no digits: the balance was %s range", e.ID, w.Value.Range)
	}
	if s.cfg.Text == DigitsUnit {
		return w.Value.Shown(), nil
	}
	return w.Value.Digits, nil
}

// Deliver types entries, one after the other.
func (s *Sink) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	for n, e := range entries {
		if err := ctx.Err(); err != nil {
			return n, err
		}
		if why := s.stale(e); why != "" {
			s.log.Warn("a weighing was not typed", "entry", e.ID, "why", why)
			s.told = append(s.told, record.Answered{Seq: e.Seq, ID: e.ID, Given: "not typed: " + why})
			continue
		}
		text, err := s.text(e)
		var list []stroke
		if err == nil {
			list, err = typed(s.keys, text)
		}
		if err != nil {
			return n, sinks.Refused{Err: err}
		}
		keys := append(append(append([]stroke{}, s.before...), list...), s.after...)
		went, err := s.press(ctx, keys)
		if err != nil && went == 0 {
			return n, err
		}
		sum := sha256.Sum256([]byte(text))
		a := record.Answered{Seq: e.Seq, ID: e.ID, Given: "typed", SHA256: hex.EncodeToString(sum[:])}
		if err != nil { // typing it again would join it to the part that is there
			a.Given = fmt.Sprintf("typed only in part, %d of %d keys: %v", went, len(keys), err)
			s.log.Error("a weighing was typed only in part", "entry", e.ID, "keys", went, "of", len(keys), "why", err)
		}
		s.told = append(s.told, a)
		if err != nil && n+1 < len(entries) {
			return n + 1, err
		}
	}
	return len(entries), nil
}

// stale says why an entry is not typed any more.
func (s *Sink) stale(e record.Entry) string {
	var w struct {
		Stamp record.Stamp `json:"stamp"`
	}
	if e.Late {
		return "it comes late, and nobody knows where the cursor is"
	}
	if json.Unmarshal(e.JSON, &w) != nil {
		return "" // said when its text is made
	}
	if age := time.Since(w.Stamp.UTC.Time()); age > s.cfg.NewestFor.D() {
		return fmt.Sprintf("it was %s old", age.Round(time.Second))
	}
	return ""
}

// Receipts tells what was typed.
func (s *Sink) Receipts() []record.Answered {
	told := s.told
	s.told = nil
	return told
}

// press presses and lets go of keys, and says how many went out. The device is opened anew each time: it comes and goes with the
// gadget.
func (s *Sink) press(ctx context.Context, keys []stroke) (went int, err error) {
	f, err := os.OpenFile(s.cfg.Device, os.O_WRONLY|nonblock, 0)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return 0, sinks.Unusable{Err: fmt.Errorf("the keyboard cannot be opened: %w; weighpost's user needs to be able to write to it", err)}
	case err != nil:
		return 0, fmt.Errorf("the keyboard is not there: %w", err)
	}
	defer f.Close()
	for _, k := range keys {
		if err := ctx.Err(); err != nil {
			return went, err
		}
		if err := s.report(f, k); err != nil {
			return went, err
		}
		went++
		time.Sleep(s.cfg.KeyTime.D())
		if err := s.report(f, stroke{}); err != nil {
			return went, fmt.Errorf("the last key could not be let go: %w", err)
		}
		time.Sleep(s.cfg.KeyTime.D())
	}
	return went, nil
}

// fetchLimit is how long the other computer may take to fetch one key.
const fetchLimit = 2 * time.Second

// report hands over one report of a boot keyboard: modifiers, a reserved byte, and up to six keys (HID 1.11, appendix B.1).
func (s *Sink) report(f *os.File, k stroke) error {
	_ = f.SetWriteDeadline(time.Now().Add(fetchLimit)) // a device without one is waited for by its own rule
	if _, err := f.Write([]byte{k.modifier, 0, k.usage, 0, 0, 0, 0, 0}); err != nil {
		return fmt.Errorf("the other computer does not fetch keys: %w", err)
	}
	return nil
}

// Close has nothing to let go of.
func (s *Sink) Close() error { return nil }
