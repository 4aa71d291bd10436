package intake

import (
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/parsers/frame"
)

// complaint is the one condition about what comes from a balance. Of several that fit, the most telling holds: a wrong
// speed also makes unread frames, NULs and lines without an end.
type complaint struct {
	signs signs
	code  string // of the condition that holds, or ""
	good  int    // frames read in a row
	grown bool   // a frame was read since the last bytes
	found finding
	said  int // how many bytes without an end the condition names

	mixed  int // unread frames in a row, but for good ones, with a line end inside that the layout does not name
	breaks [3]time.Time
	broken bool // the condition line-breaks holds
}

// telling orders the codes: a later one replaces an earlier one and not the other way.
var telling = map[string]int{"": 0, health.UnreadFrames: 1, health.MixedLineEnds: 2, health.NoFrameEnd: 3, health.NULFlood: 4, health.WrongSettings: 5}

const (
	cleanRun  = 100              // frames in a row without trouble that show that line ends are no longer mixed
	breakSpan = 10 * time.Minute // three breaks within it are a condition
)

// complain raises a condition about this balance, unless a more telling one holds.
func (in *Intake) complain(new health.Condition) {
	c := &in.complaint
	if telling[new.Code] < telling[c.code] {
		return
	}
	if c.code != "" && c.code != new.Code {
		in.board.Clear(c.code, in.about.ID)
	}
	c.code, new.Subject = new.Code, in.about.ID
	in.board.Raise(new)
}

// fine takes note of a frame that was read: nearly every complaint is over then.
func (in *Intake) fine() {
	c := &in.complaint
	c.grown = true
	c.good++
	in.misread = 0
	if c.signs.total() > 0 {
		c.signs = signs{}
	}
	if c.mixed > 0 && c.good >= cleanRun {
		c.mixed = 0
	}
	if c.code != "" && (c.code != health.MixedLineEnds || c.mixed == 0) {
		in.recant()
	}
	in.lateForgotten()
	if c.broken && in.arrived.Sub(c.breaks[0]) > breakSpan {
		c.broken = false
		in.board.Clear(health.LineBreaks, in.about.ID)
	}
}

// recant takes back the complaint, and forgets what led to it.
func (in *Intake) recant() {
	if in.complaint.code != "" {
		in.board.Clear(in.complaint.code, in.about.ID)
	}
	c := &in.complaint
	c.code, c.found, c.said, c.mixed, c.signs, in.misread = "", nothing, 0, 0, signs{}, 0
}

// examine looks at bytes that gave no frame that could be read.
func (in *Intake) examine(p []byte, a port.Arrival) {
	c := &in.complaint
	if len(a.Breaks) > 0 {
		in.breaks(len(a.Breaks), a.At)
	}
	if c.grown {
		c.grown = false
		return
	}
	c.signs.add(p, a)
	c.signs.unended(p[len(p)-min(len(p), in.splitter.Pending()):])
	if found := c.signs.find(); found != nothing {
		if found != c.found { // said once: a stream must not be one of conditions
			c.found = found
			in.raiseFinding(found)
		}
	} else if sentence := in.endless(); sentence != "" && in.splitter.Pending() >= 2*c.said {
		c.said = in.splitter.Pending()
		in.complain(health.Condition{Code: health.NoFrameEnd, Severity: health.Warning, Sentence: sentence,
			Remedy: fmt.Sprintf("Put what the balance sends at the end of a line under `ends` in the layout %s, or set the line end at the balance.", in.layout.Name())})
	}
	c.signs.fade()
}

// Breaks is called for breaks without a byte.
func (in *Intake) Breaks(n int, at time.Time) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.status.Breaks += uint64(n)
	a := port.Arrival{At: at, Breaks: make([]int, n)}
	in.damage.note(in.received, a) // before the next byte, which may belong to a frame that has begun
	in.examine(nil, a)
}

// breaks makes a condition of breaks that come again and again while frames are read.
func (in *Intake) breaks(n int, at time.Time) {
	c := &in.complaint
	for range min(n, len(c.breaks)) {
		copy(c.breaks[1:], c.breaks[:])
		c.breaks[0] = at
	}
	oldest := c.breaks[len(c.breaks)-1]
	if c.broken || oldest.IsZero() || at.Sub(oldest) > breakSpan || c.code != "" || c.good == 0 {
		return
	}
	c.broken = true
	in.board.Raise(health.Condition{
		Code: health.LineBreaks, Subject: in.about.ID, Severity: health.Warning,
		Sentence: fmt.Sprintf("The line of balance %s was interrupted %d times within %d minutes (breaks). Frames that were hit are unread.",
			in.about.ID, len(c.breaks), int(breakSpan.Minutes())),
		Remedy: "See that the plugs sit firmly at both ends, and try another cable. A balance that is switched on makes one break.",
	})
}

// settings are the port's, for a sentence.
func (in *Intake) settings() string { return in.cfg.Port.Settings() }

func (in *Intake) raiseFinding(found finding) {
	id := in.about.ID
	nothingRead := fmt.Sprintf("Nothing that balance %s sends can be read. ", id)
	remedy := "Set speed, data bits and parity of the port to what the balance's menu shows, and reload."
	if s := in.settings(); s == "" {
		remedy = "Set speed, data bits and parity at the device server to what the balance's menu shows."
	} else {
		nothingRead += fmt.Sprintf("Its port is set to %s. ", s)
	}
	switch found {
	case floodOfNUL:
		in.complain(health.Condition{Code: health.NULFlood, Severity: health.Error,
			Sentence: fmt.Sprintf("Nothing but NUL characters comes from balance %s.", id),
			Remedy: "See that the balance is on and that the cable is the right one: a line that is held low looks like this, " +
				"and so does a port that is much faster than the balance."})
		return
	case sevenEven:
		nothingRead += "The eighth bit of each character is an even parity bit: the balance sends 7 data bits with even parity."
		remedy = "Set the port to data_bits: 7 and parity: even, and reload."
	case sevenOdd:
		nothingRead += "The eighth bit of each character is an odd parity bit: the balance sends 7 data bits with odd parity."
		remedy = "Set the port to data_bits: 7 and parity: odd, and reload."
	case sevenHigh:
		nothingRead += "The eighth bit of each character is set: the balance sends 7 data bits with mark parity or two stop bits."
		remedy = "Set the port to data_bits: 7 and, as the balance's menu shows, parity: mark or stop_bits: 2, and reload."
	case otherParity:
		nothingRead += fmt.Sprintf("What comes is text, and %d of %d characters have a parity error: the parity is likely another one, or the speed.",
			in.complaint.signs.damaged, in.complaint.signs.total())
	case breaksAlone:
		nothingRead += "Next to nothing but breaks comes: the balance likely sends at a much lower speed, or a contact is loose."
	default:
		nothingRead += "What comes looks like another speed, and hardly like text."
	}
	in.complain(health.Condition{Code: health.WrongSettings, Severity: health.Error, Sentence: nothingRead, Remedy: remedy})
}

// endless says that the frame that is unfinished will not come to an end, and why; or "".
func (in *Intake) endless() string {
	s := &in.complaint.signs
	pending := in.splitter.Pending()
	foreign := in.splitter.SingleLines() && pending > 0 && s.cr+s.lf >= 3
	if ends := in.splitter.EndNames(); ends != "" && (foreign || pending > 2*in.splitter.MaxLength()) {
		return fmt.Sprintf("Balance %s has sent %d bytes without the end of a frame: the layout %s waits for %s, and %s.",
			in.about.ID, pending, in.layout.Name(), ends, seenInstead(s.cr, s.lf))
	}
	return ""
}

func seenInstead(cr, lf int) string {
	switch {
	case cr > 0 && lf == 0:
		return fmt.Sprintf("CR comes instead (%d times)", cr)
	case lf > 0 && cr == 0:
		return fmt.Sprintf("LF comes instead (%d times)", lf)
	case cr+lf > 0:
		return fmt.Sprintf("CR came %d times and LF %d times instead", cr, lf)
	}
	return "no line end of any kind comes"
}

// raiseUnread makes a condition of frames that keep being unread. One that does not fit is an entry and no alarm.
func (in *Intake) raiseUnread(f frame.Frame, why string) {
	c := &in.complaint
	c.good, c.said = 0, 0
	c.signs.cr, c.signs.lf = 0, 0
	if c.code == health.NoFrameEnd { // it came
		in.board.Clear(c.code, in.about.ID)
		c.code = ""
	}
	if kinds := in.mixedEnds(f); kinds != "" {
		if c.mixed++; c.mixed >= 2 {
			in.complain(health.Condition{Code: health.MixedLineEnds, Severity: health.Warning,
				Sentence: fmt.Sprintf("Balance %s ends its lines in more than one way: %s. The layout %s waits for %s, so that lines run together and are unread.",
					in.about.ID, kinds, in.layout.Name(), in.splitter.EndNames()),
				Remedy: "Set the balance to one line end, or name each of them under `ends` in the layout."})
		}
	}
	if in.misread != 5 && in.misread != 20 {
		return
	}
	in.complain(health.Condition{Code: unreadFrames, Severity: health.Warning,
		Sentence: fmt.Sprintf("The last %d frames of balance %s do not fit the layout %s. The last: %s.",
			in.misread, in.about.ID, in.layout.Name(), strings.TrimSuffix(why, ".")),
		Remedy: fmt.Sprintf("Compare what the balance prints with what `weighpost read --layout %s FILE` makes of it, "+
			"and see that speed and parity of the port are those of the balance.", in.layout.Name())})
}

// mixedEnds names the line ends in a frame of one line, where one stands inside that does not end a line for the layout.
func (in *Intake) mixedEnds(f frame.Frame) string {
	if !in.splitter.SingleLines() {
		return ""
	}
	var crlf, cr, lf, inside int
	for i := 0; i < len(f.Bytes); i++ {
		kind := &lf
		switch {
		case f.Bytes[i] == '\r' && i+1 < len(f.Bytes) && f.Bytes[i+1] == '\n':
			kind = &crlf
			i++
		case f.Bytes[i] == '\r':
			kind = &cr
		case f.Bytes[i] != '\n':
			continue
		}
		*kind++
		if i < len(f.Bytes)-1 {
			inside++
		}
	}
	var kinds []string
	for _, k := range []struct {
		n    int
		name string
	}{{crlf, "CR LF"}, {cr, "CR"}, {lf, "LF"}} {
		if k.n > 0 {
			kinds = append(kinds, k.name)
		}
	}
	if inside == 0 || len(kinds) < 2 {
		return ""
	}
	return strings.Join(kinds, " and ")
}
