package learntest

import (
	"bytes"
	"slices"
	"strings"
	"time"
)

// Options say how much a balance prints. Both counts are of prints; noise between them comes on top.
type Options struct {
	Lines   int // in the sample, 10 if 0
	Further int // after it, 30 if 0
}

// purposes of random numbers: changing how a session goes does not change the design.
const (
	forDesign = iota + 1
	forSample
	forFurther
	forNoise
)

// New makes up the balance of a seed and lets it print.
func New(seed uint64, o Options) *Balance {
	if o.Lines == 0 {
		o.Lines = 10
	}
	if o.Further == 0 {
		o.Further = 30
	}
	g := newDesign(seed)
	b := &Balance{Seed: seed, Class: g.class, Traits: g.describe(), Needs: g.needs, Cannot: g.cannot, Manual: g.manual()}
	s := session{dice: newDice(seed, forSample), d: g, at: firstDay(newDice(seed, forNoise)), channel: 1}
	if len(g.habits.people) > 0 {
		s.person = g.habits.people[0]
	}
	noise := newDice(seed, forNoise)
	sample := s.run(o.Lines)
	b.Frames = g.frames(noise, sample, true)
	b.Sampled = len(b.Frames)
	s.dice = newDice(seed, forFurther)
	b.Frames = append(b.Frames, g.frames(noise, s.run(o.Further), false)...)
	if g.check != nil && g.check.own == nil && distinct(b.Frames[:b.Sampled]) >= 3 {
		b.Frames = append(b.Frames, g.damage(noise, b.Frames)...)
	}
	if g.grows() {
		b.Frames = append(b.Frames, g.widened(noise, b.Frames)...)
	}
	if g.alike() {
		b.Frames = append(b.Frames, g.halves(noise, b.Frames)...)
	}
	b.judge(g)
	return b
}

// newDesign draws a balance.
func newDesign(seed uint64) *design {
	d, g := newDice(seed, forDesign), &design{}
	c := shared(d, classes)
	g.class = c.name
	common(d, g)
	c.build(d, g)
	over, _ := encode(g.page, g.beyond.over)
	under, _ := encode(g.page, g.beyond.under)
	if w := g.number.width; w > 0 && (max(len(over), len(under)) > w || len(over) > widest(g.beyond.over) || len(under) > widest(g.beyond.under)) {
		g.beyond.whole = true // it would push the rest of the line along
	}
	return g
}

// manual is what the maker of the balance would tell.
func (g *design) manual() Manual {
	m := Manual{Words: map[string]string{}, Comma: g.number.comma, DateOrder: g.dates.order, Check: "none"}
	say := func(word, meaning string) {
		if word != "" {
			m.Words[word] = meaning
		}
	}
	for _, w := range []kindWords{g.words, {gross: g.labels.gross, net: g.labels.net, tare: g.labels.tare}} {
		say(w.gross, "gross")
		say(w.net, "net")
		say(w.tare, "tare")
		say(w.preset, "preset tare")
	}
	say(g.beyond.over, "over")
	say(g.beyond.under, "under")
	if g.rests.used {
		say(g.rests.rests, "stable")
		say(g.rests.moves, "unstable")
	}
	for word, meaning := range g.status {
		say(word, meaning)
	}
	if g.check != nil && g.check.own == nil {
		m.Check = g.check.kind.String()
	}
	return m
}

func firstDay(d dice) time.Time {
	return time.Date(2026, time.Month(d.between(1, 12)), d.between(1, 28), d.between(7, 17), d.IntN(60), d.IntN(60), 0, time.UTC)
}

// frames prints moments, with noise where the balance makes some.
func (g *design) frames(d dice, moments []moment, first bool) (frames []Frame) {
	for i := range moments {
		f := g.print(d, &moments[i])
		if first && i == 0 {
			if g.cut && g.check == nil && f.To-f.From > 3 {
				frames = append(frames, g.cutFrame(d, f))
			}
			if g.banner {
				for range d.between(1, 3) {
					frames = append(frames, g.noiseFrame(d))
				}
			}
		}
		if d.in100(g.noise) {
			frames = append(frames, g.noiseFrame(d))
		}
		if d.in100(g.strays) && g.wrap.start == "" {
			f.Bytes = append([]byte{one(d, byte(0x00), 0x00, 0x11, 0x7F)}, f.Bytes...)
			f.From, f.To, f.May = f.From+1, f.To+1, true
		}
		frames = append(frames, f)
	}
	return frames
}

// distinct counts the different prints. Fewer than three prove no check.
func distinct(frames []Frame) int {
	seen := map[string]bool{}
	for _, f := range frames {
		seen[string(f.Bytes)] = true
	}
	return len(seen)
}

// damage gives three prints that were changed on their way.
func (g *design) damage(d dice, from []Frame) (out []Frame) {
	for range 20 {
		f := from[d.IntN(len(from))]
		if f.Sort != Weight || len(out) == 3 {
			continue
		}
		if f = g.damaged(d, f); f.Sort == Damaged {
			out = append(out, f)
		}
	}
	return out
}

// alike says whether every line of the balance is as long as the next, so that half a line can be told.
func (g *design) alike() bool {
	if g.number.width == 0 || g.trim || g.block != nil || g.check != nil || g.wrap.fixed || g.cannot != "" || len(g.wrap.terms) > 1 || g.wrap.start != "" {
		return false
	}
	for _, p := range g.line {
		wide := p.width > 0 || p.field == "weight" || p.put == nil || p.field == "unit" && g.unit.width > 0 ||
			p.field == "unit" && !g.unit.whenStable && len(g.modes) == 1
		if !wide && !(p.field == "stability" && widest(g.rests.rests) == widest(g.rests.moves)) {
			return false
		}
	}
	return true
}

// grows says whether a number with one digit more would stand in the blank before the number.
func (g *design) grows() bool {
	n := g.number
	return n.width > 0 && n.sign == minusAttached && n.zeros == 0 && n.group == "" && n.aux == 0 && !n.left && g.block == nil && g.check == nil && g.cannot == ""
}

// widened gives prints with one digit more: a layout whose column for the number begins behind it reads another weight.
func (g *design) widened(d dice, from []Frame) (out []Frame) {
	for range 20 {
		f := from[d.IntN(len(from))]
		padding := len(f.printed) - len(strings.TrimLeft(f.printed, " "))
		at := bytes.Index(f.Bytes, g.encoded(f.printed)) + padding - 1 // the blank before the first digit
		if f.Sort != Weight || len(f.Also) > 0 || padding < 2 || at < padding-1 || f.Truth.Digits[0] < '0' || f.Truth.Digits[0] > '9' || len(out) == 2 {
			continue
		}
		f.Sort, f.Bytes, f.May = Wide, bytes.Clone(f.Bytes), true
		f.Bytes[at] = '1'
		f.From = min(f.From, at)
		f.Truth.Digits = "1" + f.Truth.Digits
		out = append(out, f)
	}
	return out
}

// halves gives prints that lost their beginning or their end within the number.
func (g *design) halves(d dice, from []Frame) (out []Frame) {
	for range 20 {
		f := from[d.IntN(len(from))]
		printed := g.encoded(strings.TrimSpace(f.printed))
		at := bytes.Index(f.Bytes, printed)
		if f.Sort != Weight || at < 0 || len(printed) < 4 || len(out) == 4 {
			continue
		}
		cut := at + d.between(1, len(printed)-1)
		f.Sort, f.Pause = Half, false
		if len(out)%2 == 0 {
			f.Bytes = bytes.Clone(f.Bytes[cut:])
		} else {
			f.Bytes = append(bytes.Clone(f.Bytes[:cut]), g.wrap.terms[0]...)
		}
		f.From, f.To = span(f.Bytes, 0)
		out = append(out, f)
	}
	return out
}

// describe names what is particular about a balance, for a list of failures.
func (g *design) describe() []string {
	t := slices.Clone(g.traits)
	say := func(is bool, what string) {
		if is {
			t = append(t, what)
		}
	}
	n := g.number
	say(n.comma, "decimal comma")
	say(n.group != "", "grouped by "+n.group)
	say(n.sign != minusAttached, [...]string{"", "sign always", "minus apart", "sign apart", "minus behind", "sign behind"}[n.sign])
	say(n.zeros > 0, "leading zeros")
	say(n.naked, "no zero before the point")
	say(n.pointed, "a point without decimals")
	say(n.width == 0, "no width")
	say(n.left, "padded on the right")
	say(n.aux > 0, "brackets")
	say(n.coarse, "a blank last digit while moving")
	say(g.unit.whenStable, "unit while stable")
	say(g.unit.never, "no unit")
	say(g.page != "utf-8", g.page)
	say(g.habits.stream, "stream")
	say(g.habits.restless > 0, "restless")
	say(len(g.wrap.terms) > 1, "mixed ends")
	say(g.wrap.fixed, "no ends")
	if g.check != nil {
		kind := g.check.kind.String()
		if g.check.own != nil {
			kind = "of its own"
		}
		t = append(t, "check "+kind+" "+g.check.form)
	}
	say(g.cannot != "", g.cannot)
	return t
}
