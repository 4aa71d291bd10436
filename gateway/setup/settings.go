package setup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/port"
)

// Settings is what was found of the settings of a balance's line.
type Settings struct {
	Address    string         `json:"address"`
	Sure       bool           `json:"sure"`              // the first candidate may be taken
	Candidates []Candidate    `json:"candidates"`        // the likeliest first
	Unclear    []string       `json:"unclear"`           // what cannot be told apart, and why
	Heard      []Heard        `json:"heard"`             // what came at each try, in order
	Silent     bool           `json:"silent"`            // nothing came at any
	Silence    *SilenceReport `json:"silence,omitempty"` // the walk through what may be the reason
	Refused    []Setting      `json:"refused,omitempty"` // that the port or its driver cannot be set to
	Elsewhere  bool           `json:"elsewhere"`         // the line is set at a device server, where the first candidate belongs
	Advice     string         `json:"advice,omitempty"`  // what to do
}

// SettingsOptions say how the settings are looked for. The zero value listens, alone, for what comes by itself.
type SettingsOptions struct {
	Person Person  // is told when to press print, and asked where nothing comes; nil: nobody
	Poll   []byte  // sent at each try, for a balance that speaks only when asked; nil: nothing is ever sent
	First  Setting // what to try first, and for a device server what it is set to; zero: 9600 8N1
	// Listen is how long each try waits for the first byte: by default 2 s after a poll, a minute where somebody presses print,
	// and 10 s where nobody does.
	Listen time.Duration
	For    time.Duration  // in all; by default 10 minutes
	Tries  int            // at the most; by default 16, with a poll 48
	Walk   SilenceOptions // where nothing comes, and nothing is polled; its settings of the line are ours
}

func (o SettingsOptions) withDefaults() SettingsOptions {
	if o.Person == nil {
		o.Person = Nobody{}
	}
	if o.Listen == 0 {
		o.Listen = 10 * time.Second
		if o.Poll != nil {
			o.Listen = 2 * time.Second
		} else if o.attended() {
			o.Listen = time.Minute
		}
	}
	if o.For == 0 {
		o.For = 10 * time.Minute
	}
	if o.Tries == 0 {
		o.Tries = 16
		if o.Poll != nil {
			o.Tries = 48
		}
	}
	if o.First == (Setting{}) {
		o.First = UsualSetting()
	}
	return o
}

func (o SettingsOptions) attended() bool {
	_, nobody := o.Person.(Nobody)
	return !nobody
}

// FindSettings listens at an address at one setting after another until it knows how the balance's line is set, or until its
// limits are reached; then it says how far it came. A balance that prints is heard at 9600 8N1 first, and what comes decides
// the next try: usually one to three prints are enough, and five at the most; see the tests. The bytes of a device server do
// not depend on how we open it: there it tells what is wrong with the server's settings.
//
// The error is that of ctx, or why the port cannot be used.
func FindSettings(ctx context.Context, open Opener, address string, o SettingsOptions) (*Settings, error) {
	o = o.withDefaults()
	m := models.Get().(*model)
	defer models.Put(m)
	f := &finder{open: open, address: address, o: o, search: newSearch(m), out: &Settings{Address: address}}
	f.out.Elsewhere = strings.HasPrefix(address, "tcp://")
	limited, cancel := context.WithTimeoutCause(ctx, o.For, errLimit)
	defer cancel()
	err := f.run(limited)
	if err == nil && len(f.search.heard) == 0 && o.Poll == nil && !f.enough {
		err = f.walk(ctx, limited)
	}
	if errors.Is(err, errLimit) {
		err = nil
	}
	f.conclude()
	return f.out, err
}

// walk goes through the reasons why nothing comes. If something does in the end the search begins anew. A person who looks for
// a cable has all the time that it takes, and can stop it; nobody has what is left of the search's.
func (f *finder) walk(whole, limited context.Context) (err error) {
	ctx := limited
	if f.o.attended() {
		ctx = whole
	}
	walk := f.o.Walk
	if walk.Config = f.o.First.Config(f.address); f.out.Elsewhere {
		walk.Config = port.Config{Address: f.address}
	}
	f.out.Silence, err = Silence(ctx, f.open, f.address, f.o.Person, walk)
	if err != nil || !f.out.Silence.Heard {
		if cause := context.Cause(ctx); err != nil && cause != nil {
			err = cause
		}
		return err
	}
	f.tried, f.silent = nil, 0
	if f.o.attended() {
		anew, cancel := context.WithTimeoutCause(whole, f.o.For, errLimit)
		defer cancel()
		ctx = anew
	}
	return f.run(ctx)
}

// errLimit ends a search that took too long.
var errLimit = errors.New("the time for the search is over")

// finder is one search at a port.
type finder struct {
	open    Opener
	address string
	o       SettingsOptions
	search  *search
	out     *Settings
	tried   []Setting
	silent  int  // tries in a row that brought nothing
	enough  bool // the person wants no more
}

// mostSilent is how many tries without a byte are enough, where nothing is asked: the fastest receiver hears any balance.
const mostSilent = 2

// mostUnanswered is how many tries in a row may bring nothing once the balance has answered a poll.
const mostUnanswered = 6

func (f *finder) run(ctx context.Context) error {
	f.introduce()
	for try := 1; try <= f.o.Tries; try++ {
		at, more := f.next()
		if !more {
			return nil
		}
		h, err := f.try(ctx, at, try)
		var t *port.Trouble
		switch {
		case errors.As(err, &t) && t.Code == port.CodeRefused && len(f.out.Refused) < 8:
			f.tried = append(f.tried, at)
			f.out.Refused = append(f.out.Refused, at)
			continue
		case err != nil:
			return err
		}
		f.out.Heard = append(f.out.Heard, h)
		if h.empty() {
			again, err := f.nothing(ctx, at)
			if err != nil || !again {
				return err
			}
			continue
		}
		f.tried = append(f.tried, at)
		f.silent = 0
		if f.o.Poll != nil && len(f.search.heard) == 0 {
			f.search.answered(at)
		}
		f.search.hear(h)
		f.progress(h)
	}
	return nil
}

// next is where to listen next.
func (f *finder) next() (Setting, bool) {
	switch {
	case len(f.tried) == 0:
		return f.o.First, true
	case f.out.Elsewhere:
		return f.o.First, len(f.tried) < 3 && f.unsure()
	case f.o.Poll != nil && len(f.search.heard) == 0:
		return f.search.unasked(f.tried)
	}
	return f.search.next(f.tried)
}

func (f *finder) unsure() bool {
	list := f.search.candidates()
	return len(list) == 0 || list[0].Confidence < sure
}

// try opens the port at a setting and takes down what comes.
func (f *finder) try(ctx context.Context, at Setting, n int) (Heard, error) {
	c := at.Config(f.address)
	if f.out.Elsewhere {
		c = port.Config{Address: f.address}
	}
	p, err := f.open(ctx, c)
	if err != nil {
		return Heard{}, err
	}
	defer p.Close()
	where := "at " + at.String()
	if f.out.Elsewhere {
		where = "as the device server is set"
	}
	text := fmt.Sprintf("Try %d: listening %s. Press the print key once.", n, where)
	if f.o.Poll != nil {
		text = fmt.Sprintf("Try %d: asking %s.", n, where)
	}
	o := hearing{poll: f.o.Poll, first: f.o.Listen, quiet: quietAfter, whole: wholeStream}
	return o.hear(ctx, p, at, func() { f.o.Person.Tell(text) })
}

func (f *finder) introduce() {
	if f.o.Poll == nil {
		f.o.Person.Tell("Each print is heard at one setting, and tells which to try next: press the balance's print key " +
			"once whenever you are told to. A balance that sends all the time needs no pressing.")
	}
}

// progress tells what a try brought.
func (f *finder) progress(h Heard) {
	text := fmt.Sprintf("  %d bytes", len(h.Bytes))
	if n := len(h.Damaged); n > 0 {
		text += fmt.Sprintf(", %d of them damaged", n)
	}
	if n := len(h.Breaks); n > 0 {
		text += fmt.Sprintf(", %d breaks", n)
	}
	if c := f.search.candidates()[0]; c.Confidence >= sure {
		text += ": " + shortened(c.Text, 60)
	} else {
		text += ": not readable yet."
	}
	f.o.Person.Tell(text)
}

// nothing decides what to do where a try brought no byte.
func (f *finder) nothing(ctx context.Context, at Setting) (again bool, err error) {
	f.silent++
	if f.o.Poll != nil { // it may have been asked at a setting that it does not understand
		f.tried = append(f.tried, at)
		return len(f.search.heard) == 0 || f.silent < mostUnanswered, nil
	}
	if f.o.attended() {
		answer, err := f.o.Person.Ask(ctx, Question{Key: "nothing-came", Text: "Nothing came. Was the print key pressed?", Default: "again",
			Choices: []Choice{{"again", "listen once more here"}, {"next", "yes, and nothing came: try another setting"}, {"stop", "stop looking"}}})
		switch {
		case errors.Is(err, ErrNobody):
		case err != nil:
			return false, err
		case answer == "stop":
			f.enough = true
			return false, nil
		case answer == "again":
			return true, nil
		}
	}
	f.tried = append(f.tried, at)
	return f.silent < mostSilent, nil
}

// conclude puts together what was found.
func (f *finder) conclude() {
	*f.out = *judged(f.out, f.search)
}

// Judge works out the settings of a line from what was heard at known settings, in any number.
func Judge(heard []Heard) *Settings {
	m := models.Get().(*model)
	defer models.Put(m)
	s := newSearch(m)
	for _, h := range heard {
		s.hear(h)
	}
	return judged(&Settings{Heard: heard}, s)
}

// judged completes what was found with what the search makes of it.
func judged(out *Settings, s *search) *Settings {
	out.Candidates, out.Unclear = []Candidate{}, []string{}
	if out.Heard == nil {
		out.Heard = []Heard{}
	}
	if len(s.heard) == 0 {
		out.Silent = true
		out.Advice = silentAdvice
		return out
	}
	all := s.candidates()
	out.Sure = all[0].Confidence >= sure
	out.Candidates = worthTelling(all)
	out.Unclear = s.unclear(all)
	out.Advice = advice(out)
	return out
}

// worthTelling are the first candidate, those that have a chance, and at least one to compare the first with: then the
// likeliest that reads something else.
func worthTelling(all []Candidate) []Candidate {
	list := all[:1:1]
	for _, c := range all[1:min(len(all), mostCandidates)] {
		if c.Confidence >= leastConfidence {
			list = append(list, c)
		}
	}
	if len(list) > 1 {
		return list
	}
	second := -1
	for i, c := range all[1:] {
		if len(c.Bytes) > 0 && !bytes.Equal(c.Bytes, all[0].Bytes) && (second < 0 || c.chance > all[second].chance) {
			second = i + 1
		}
	}
	if second > 0 {
		list = append(list, all[second])
	}
	return list
}

// leastConfidence is from which confidence on a candidate that is not the first is worth a line.
const leastConfidence = 0.001

func shortened(text string, n int) string {
	if len(text) > n {
		return text[:n] + "…"
	}
	return text
}
