package setup

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
)

// Candidate is one way to set the port, with all that read the same bytes.
type Candidate struct {
	Setting
	Confidence float64 `json:"confidence"` // 0 to 1, of this setting or one of Same
	// Same are settings that would have read the same bytes: nothing that came tells them from this one.
	Same []Setting `json:"same,omitempty"`
	// Bytes are what came, read with this setting, and Text the same for a person, with escapes as in Go. Both are empty where
	// nothing has been heard yet from which this setting can be read.
	Bytes []byte `json:"bytes,omitempty"`
	Text  string `json:"text,omitempty"`

	chance float64 // before its text was looked at
	cut    bool    // the eighth bit was not heard: see weighed.cut
}

// Has says whether the candidate stands for a setting.
func (c Candidate) Has(s Setting) bool { return c.Setting == s || slices.Contains(c.Same, s) }

// search is what is thought of the settings. It learns by hear.
type search struct {
	model *model
	hyps  []hypothesis
	heard []Heard
	told  bool    // the driver has told damage: it can
	asked Setting // at which the balance understood a poll first; zero: none was sent
}

// hypothesis is one setting of the balance, and how well it explains what was heard for each kind of adapter.
type hypothesis struct {
	Setting
	prior float64 // a logarithm
	fit   [ways][2]float64
	// lengths are those of the prints, in characters, that the numbers of symbols point at.
	lengths [2]lengths
}

func newSearch(m *model) *search {
	s := &search{model: m}
	for _, u := range usual {
		for _, f := range framings {
			h := hypothesis{Setting: Setting{Speed: u.speed}.framed(f.name), prior: math.Log(u.weight * f.weight)}
			s.hyps = append(s.hyps, h)
		}
	}
	return s
}

// atMost is how much one listening says for or against a setting, as a logarithm: it may have begun in the middle of a print,
// and what is heard then until the receiver finds its way says the wrong thing. Two listenings outvote it.
const atMost = 30.0

// hear weighs what came against each hypothesis.
func (s *search) hear(h Heard) {
	if h.empty() {
		return
	}
	s.heard = append(s.heard, h)
	s.told = s.told || h.tells()
	symbols := h.symbols()
	fits := make([][ways][2]float64, len(s.hyps))
	best := math.Inf(-1)
	for i := range s.hyps {
		hyp := &s.hyps[i]
		t := s.model.of(hyp.Setting, h.At)
		for way := range hyp.fit {
			for sync := range hyp.fit[way] {
				fits[i][way][sync] = t.fit(symbols, tells(way), sync)
				if !s.told || tells(way) == tellsDamage {
					best = max(best, fits[i][way][sync])
				}
			}
		}
		for sync := range hyp.lengths {
			hyp.lengths[sync].add(float64(len(symbols)), t.rate[sync])
		}
	}
	for i := range s.hyps {
		for way := range fits[i] {
			for sync, fit := range fits[i][way] {
				s.hyps[i].fit[way][sync] += max(fit-best, -atMost)
			}
		}
	}
}

// answered takes it that the balance understood what it was sent at a setting.
func (s *search) answered(at Setting) {
	s.asked = at
	for i := range s.hyps {
		if h := &s.hyps[i]; h.Speed == at.Speed && h.DataBits == at.DataBits && h.Parity == at.Parity {
			h.prior += understood
		}
	}
}

// understood is what an answer says for the setting at which it was asked for; a logarithm. Some balances heed no parity.
const understood = 3.0

// likelihood is how well a hypothesis explains what was heard, whatever the adapter; a logarithm, without the prior.
func (s *search) likelihood(h *hypothesis) float64 {
	most := math.Inf(-1)
	var list []float64
	for way := range h.fit {
		if s.told && tells(way) != tellsDamage {
			continue
		}
		for sync := range h.fit[way] {
			l := h.fit[way][sync] + h.lengths[sync].fit() + math.Log(weightOf[way]/2)
			list = append(list, l)
			most = max(most, l)
		}
	}
	sum := 0.0
	for _, l := range list {
		sum += math.Exp(l - most)
	}
	return most + math.Log(sum)
}

// lengths compares prints that were heard at several settings: they are about as long as each other.
type lengths struct{ n, sum, squares float64 }

// spread of the lengths of a balance's prints, and of what is heard of them, as a logarithm; and the least length.
const spread, shortest = 0.45, 8

func (l *lengths) add(symbols, rate float64) {
	x := math.Log((symbols + 0.3) / (rate + 0.003))
	l.n, l.sum, l.squares = l.n+1, l.sum+x, l.squares+x*x
}

// fit is how well the lengths go together, as a logarithm.
func (l *lengths) fit() float64 {
	if l.n == 0 {
		return 0
	}
	mean := l.sum / l.n
	f := -(l.squares - l.n*mean*mean) / (2 * spread * spread)
	if short := math.Log(shortest) - mean; short > 0 {
		f -= short * short / (2 * spread * spread)
	}
	return max(f, -30)
}

// temper makes the odds of symbols smaller than they would be if each symbol came by itself: those of a text do not.
const temper = 0.6

// alikeWithin is how much worse, as a logarithm, a setting may explain what came and still not be told from the best, if it
// reads the same text.
const alikeWithin = 7.0

// weighed is a hypothesis with its chances.
type weighed struct {
	*hypothesis
	fits   float64 // logarithm, without the prior
	chance float64 // all sum up to 1
	text   []byte  // what came, read with it
	own    bool    // it was heard at a setting from which it can be read
	whole  bool    // at such a setting with as many data bits
	barely bool    // only at settings with parity, whose errors may not have been told
}

// weigh gives all hypotheses, the likeliest first.
func (s *search) weigh() []weighed {
	list := make([]weighed, len(s.hyps))
	most := math.Inf(-1)
	for i := range s.hyps {
		h := &s.hyps[i]
		l := s.likelihood(h)
		list[i] = weighed{hypothesis: h, fits: l, chance: temper*l + h.prior}
		most = max(most, list[i].chance)
	}
	sum := 0.0
	for i := range list {
		list[i].chance = math.Exp(list[i].chance - most)
		sum += list[i].chance
	}
	for i := range list {
		list[i].chance /= sum
	}
	slices.SortStableFunc(list, func(a, b weighed) int { return cmp.Compare(b.chance, a.chance) })
	for i := range list {
		list[i].read(s)
	}
	return list
}

// read fills in what came, read with a setting: from what was heard at its speed and framed so that its characters come out
// whole.
func (w *weighed) read(s *search) {
	var parts [][]byte
	w.whole, w.barely = true, !s.told
	raw, sync := w.passesOn()
	raw = raw && !s.told
	for _, h := range s.heard {
		if h.At.Speed != w.Speed || !reads(w.Setting, h.At, raw, sync) {
			continue
		}
		w.whole = w.whole && h.At.DataBits == w.DataBits
		w.barely = w.barely && h.At.Parity != "none"
		var part []byte
		for _, c := range h.symbols() {
			switch {
			case c == damaged, c < damaged && !w.passes(byte(c), h.At):
				part = append(part, 0)
			case c < damaged:
				part = append(part, byte(c)&(1<<w.DataBits-1))
			}
		}
		parts = append(parts, part)
	}
	w.text, w.own = join(parts), len(parts) > 0
}

// passes says whether the parity of a byte is right where it was heard as the eighth of its bits.
func (s Setting) passes(c byte, at Setting) bool {
	if s.DataBits != 7 || at.DataBits != 8 || at.Parity != "none" {
		return true
	}
	odd := bits.OnesCount8(c)%2 == 1
	return s.Parity == "none" || s.Parity == "even" && !odd || s.Parity == "odd" && odd
}

// passesOn says whether, if the hypothesis is right, the adapter may be one that hands on damaged characters as they are, and
// whether it must then be one that takes what damaged them for a start bit.
func (h *hypothesis) passesOn() (raw, sync bool) {
	most := math.Inf(-1)
	for way := range h.fit {
		for i := range h.fit[way] {
			most = max(most, h.fit[way][i]+h.lengths[i].fit())
		}
	}
	may := func(i int) bool { return h.fit[givesRaw][i]+h.lengths[i].fit() > most-alikeWithin }
	return may(0) || may(1), !may(0)
}

// reads says whether a receiver that is set to at gets each character of a sender that is set to as whole, at one speed: it
// then looks at the same bits, or at fewer of them while those left out are 1, or need not be.
func reads(as, at Setting, raw, sync bool) bool {
	switch long, short := length(as), length(at); {
	case at.DataBits < as.DataBits:
		return false
	case long == short:
		return at.Parity == "none" || raw || at.Parity == as.Parity && at.DataBits == as.DataBits
	case long == short-1 && raw && at.Parity != "none": // a stop bit stands where the receiver looks for parity, and it says nothing
		return at.DataBits == as.DataBits && (as.StopBits == 2 || sync)
	case long == short+1: // the receiver takes the parity bit for the stop bit
		return as.Parity == "mark" || raw && !sync
	}
	return false
}

// length are the data bits and the parity bit.
func length(s Setting) int {
	if s.Parity == "none" {
		return s.DataBits
	}
	return s.DataBits + 1
}

// candidates puts together what cannot be told apart, the likeliest first.
func (s *search) candidates() []Candidate {
	list := s.weigh()
	var out []Candidate
	gone := make([]bool, len(list))
	for i, first := range list {
		if gone[i] {
			continue
		}
		c := Candidate{Setting: first.simple(), Confidence: first.chance, Bytes: first.text, Text: escaped(first.text)}
		c.Same = append(c.Same, s.within(first)...)
		for j, other := range list[i+1:] {
			if gone[i+1+j] || !first.same(other) {
				continue
			}
			gone[i+1+j] = true
			c.Confidence += other.chance
			c.Same = append(c.Same, other.Setting)
			c.Same = append(c.Same, s.within(other)...)
		}
		if first.own && first.whole && first.barely {
			c.Same = append(c.Same, first.untold()...)
		}
		c.chance = c.Confidence
		if c.Confidence *= s.worth(first); first.cut(s) {
			c.cut, c.Confidence = true, min(c.Confidence, notSure)
		}
		c.Same = distinct(c.Same, c.Setting)
		out = append(out, c)
	}
	slices.SortStableFunc(out, func(a, b Candidate) int { return cmp.Compare(b.Confidence, a.Confidence) })
	return out
}

// calm says whether the text is one, from the first character to the last.
func (w weighed) calm() bool { return !strange(w.text) && plausible(w.text) >= sure }

// same says whether nothing tells another hypothesis from the first. Either neither has been heard at its own setting, and
// they differ in stop bits only. Or both read the same text, or good text from different prints, and explain what came: about as well as each other, or at all
// where the port was set to as many bits as the balance, since it reads those with any parity if it tells no damage.
func (w weighed) same(other weighed) bool {
	if other.Speed != w.Speed {
		return false
	}
	if w.simple() == other.simple() {
		return bytes.Equal(w.text, other.text)
	}
	switch {
	case !w.own || !other.own || other.DataBits != w.DataBits || !bytes.Equal(w.text, other.text) && !(w.calm() && other.calm()):
		return false
	case w.whole && other.whole:
		return other.fits >= w.fits-10*alikeWithin
	}
	return other.fits >= w.fits-alikeWithin
}

// within are the framings that are alike on the wire.
func (s *search) within(w weighed) []Setting {
	ascii := !slices.ContainsFunc(w.text, func(c byte) bool { return c >= 0x80 })
	var list []Setting
	for _, name := range alike[w.Framing()] {
		other := Setting{Speed: w.Speed}.framed(name)
		if other.DataBits >= w.DataBits || ascii {
			list = append(list, other)
		}
	}
	return list
}

// worth is how much of a candidate's chance may be believed, 0 to 1: little while it was not heard at its own speed, and no
// more than its text is like what balances print.
func (s *search) worth(w weighed) float64 {
	if !w.own {
		return 0.4
	}
	return plausible(w.text)
}

// notSure is the most that a candidate is worth while something of it has not been heard.
const notSure = 0.8

// cut says whether a setting of seven bits was heard only as such, on an adapter that may not tell damage: a balance of eight
// bits, or of another parity, may sound the same (but would not have understood a poll at this setting). Eight bits, listened to once with a readable outcome or twice, tell.
func (w weighed) cut(s *search) bool {
	if w.DataBits != 7 || s.told || w.Setting == s.asked {
		return w.DataBits == 8 && w.Parity != "none" && !s.told && w.Setting != s.asked && s.oneOddPrint(w.Speed)
	}
	n := 0
	for _, h := range s.heard {
		if h.At.Speed != w.Speed || h.At.DataBits != 8 || h.At.Parity != "none" {
			continue
		}
		seven := make([]byte, len(h.Bytes))
		for i, c := range h.Bytes {
			seven[i] = c & 0x7F
		}
		if n++; n > 1 || !strange(seven) && plausible(seven) >= sure {
			return false
		}
	}
	return true
}

// oneOddPrint says whether 8N1 was listened to once at a speed, and nothing could be read, although the adapter seems to put
// nothing in the place of damage: the print may have begun in the middle of a character, and any framing then reads nothing.
func (s *search) oneOddPrint(speed int) bool {
	n, odd := 0, false
	for _, h := range s.heard {
		if h.At == (Setting{Speed: speed}).framed("8N1") {
			n++
			odd = bytes.IndexByte(h.Bytes, 0) < 0 && (strange(h.Bytes) || plausible(h.Bytes) <= notSure)
		}
	}
	return n == 1 && odd
}

// untold are the settings that read the same where the port looks for parity and its adapter tells no error.
func (w weighed) untold() (list []Setting) {
	for _, framing := range []string{"E1", "E2", "O1", "O2", "S1", "S2", "M1", "M2", "N2"} {
		list = append(list, Setting{Speed: w.Speed}.framed(fmt.Sprint(w.DataBits, framing)))
	}
	return list
}

// distinct leaves out what is there twice, and first.
func distinct(list []Setting, first Setting) (out []Setting) {
	for _, s := range list {
		if s != first && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// sorted by confidence, at most this many are told.
const mostCandidates = 8
