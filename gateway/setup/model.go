package setup

import (
	"math"
	"math/rand/v2"
	"sync"

	"weighpost/gateway/port/uart"
)

// adapter is what is not known of the receiver, whatever the settings: what it does with a damaged character, and where it
// looks for the next start bit after one.
type adapter struct {
	tells tells
	sync  int // 1: it takes the low level in place of a stop bit for a start bit
}

type tells uint8

const (
	tellsDamage tells = iota // it says which characters were damaged
	givesNUL                 // it puts a NUL in their place and says nothing
	givesRaw                 // it passes them on as they were sampled and says nothing
	ways
)

// weightOf is how likely an adapter is of each kind: a guess, which only decides where the bytes do not.
var weightOf = [ways]float64{tellsDamage: .5, givesNUL: .2, givesRaw: .3}

// table is what a receiver hears of a sender, for each kind of adapter.
type table struct {
	log  [ways][2][symbols]float32 // how often each symbol, as a logarithm
	rate [2]float64                // symbols for each character
}

// model holds the tables of pairs of settings as they are needed.
type model struct {
	lines  [][]byte
	mu     sync.Mutex             // of what follows
	waves  map[string][]uart.Wave // the lines, by framing; their speed is to be filled in
	tables map[pair]*table
}

// fit is how well a table explains symbols, as a logarithm.
func (t *table) fit(symbols []symbol, way tells, sync int) (sum float64) {
	for _, c := range symbols {
		sum += float64(t.log[way][sync][c])
	}
	return sum
}

// pair is a sender and a receiver, with their speeds reduced: 4800 and 9600 hear each other as 1200 and 2400 do.
type pair struct{ from, to Setting }

func newModel() *model {
	return &model{lines: typical(), waves: map[string][]uart.Wave{}, tables: map[pair]*table{}}
}

// models are kept from one search to the next while there is memory: their tables take a moment to measure.
var models = sync.Pool{New: func() any { return newModel() }}

// of gives the table of a sender and a receiver.
func (m *model) of(from, to Setting) *table {
	m.mu.Lock()
	defer m.mu.Unlock()
	d := gcd(from.Speed, to.Speed)
	key := pair{from, to}
	key.from.Speed /= d
	key.to.Speed /= d
	t := m.tables[key]
	if t == nil {
		t = m.measure(from, to)
		m.tables[key] = t
	}
	return t
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return max(a, 1)
}

// counts of what was heard: undamaged bytes, damaged ones as they were sampled, breaks.
type counts struct {
	clean, damaged [256]int
	breaks, all    int
}

// measure sends typical lines through the model of a line, with clocks that differ a little as real ones do, and counts.
func (m *model) measure(from, to Setting) *table {
	var heard [2]counts
	rounds, sent := 1, 0
	if from.Speed > to.Speed { // a slow receiver hears little of each line
		rounds = min(from.Speed/to.Speed, 8)
	}
	waves := m.say(from)
	for round := range rounds {
		for i, w := range waves {
			sent += len(m.lines[i])
			w.Speed = from.Speed + from.Speed*((i+round)%5-2)/150
			for sync := range heard {
				heard[sync].add(to.line().Receive(w, sync == 1))
			}
		}
	}
	t := new(table)
	for sync := range heard {
		heard[sync].fill(t, sync)
		t.rate[sync] = float64(heard[sync].all) / float64(sent)
	}
	return t
}

// say gives the levels of the lines: most from the beginning and back to back, some with pauses, some from the middle on.
func (m *model) say(s Setting) []uart.Wave {
	waves := m.waves[s.Framing()]
	if waves == nil {
		r := rand.New(rand.NewPCG(1, 1))
		for i, line := range m.lines {
			w := wave(s, line, i%4 == 3, r)
			if i%6 == 2 {
				w.Levels = w.Levels[r.IntN(len(w.Levels)):]
			}
			waves = append(waves, w)
		}
		m.waves[s.Framing()] = waves
	}
	return waves
}

// wave is a line as a balance says it: back to back, or with a little idle time between the characters.
func wave(s Setting, line []byte, pauses bool, r *rand.Rand) uart.Wave {
	if !pauses {
		return s.line().Send(line, 12)
	}
	w := uart.Wave{Speed: s.Speed}
	for i := range line {
		w.Levels = append(w.Levels, s.line().Send(line[i:i+1], r.IntN(5)).Levels...)
	}
	return w
}

func (c *counts) add(heard []uart.Char) {
	for _, h := range heard {
		c.all++
		switch {
		case h.Break:
			c.breaks++
		case h.Damaged:
			c.damaged[h.Value]++
		default:
			c.clean[h.Value]++
		}
	}
}

// surprise is how many of the symbols are anything at all, beside all that were heard in the model.
const surprise = 40.0

// fill writes the counts down as logarithms of probabilities.
func (c *counts) fill(t *table, sync int) {
	all := float64(c.all) + surprise
	set := func(way tells, s symbol, n int) {
		t.log[way][sync][s] = float32(math.Log((float64(n) + surprise/float64(symbols)) / all))
	}
	spoilt := 0
	for v := range 256 {
		spoilt += c.damaged[v]
		set(tellsDamage, symbol(v), c.clean[v])
		set(givesNUL, symbol(v), c.clean[v])
		set(givesRaw, symbol(v), c.clean[v]+c.damaged[v])
	}
	set(givesNUL, 0, c.clean[0]+spoilt+c.breaks)
	set(givesRaw, 0, c.clean[0]+c.damaged[0]+c.breaks)
	set(tellsDamage, damaged, spoilt)
	set(tellsDamage, broken, c.breaks)
	for _, way := range []tells{givesNUL, givesRaw} {
		set(way, damaged, 0)
		set(way, broken, 0)
	}
}

// typical makes lines of the kind that balances print: words, numbers with a sign and a decimal mark, units, line ends. They
// are the same each time. What matters of them is which characters are frequent, so there is no need for the right words.
func typical() [][]byte {
	r := rand.New(rand.NewPCG(2, 3))
	lines := make([][]byte, 120)
	for i := range lines {
		var b []byte
		for range 1 + r.IntN(4) {
			b = piece(b, r)
			b = append(b, "         "[:1+r.IntN(9)]...)
			if r.IntN(6) == 0 {
				b = append(b, "\t;,#*=:\x1b"[r.IntN(8)])
			}
		}
		b = append(b, []string{"\r\n", "\r\n", "\r", "\n"}[r.IntN(4)]...)
		if r.IntN(12) == 0 {
			b = append(append([]byte{2}, b...), 3)
		}
		lines[i] = b
	}
	return lines
}

// piece adds a number, a word, or once in a while anything at all.
func piece(b []byte, r *rand.Rand) []byte {
	switch kind := r.IntN(20); {
	case kind < 9:
		b = append(b, " +-"[r.IntN(3)])
		for range 1 + r.IntN(5) {
			b = append(b, byte('0'+r.IntN(10)))
		}
		b = append(b, "...,:/-"[r.IntN(7)])
		for range 1 + r.IntN(5) {
			b = append(b, byte('0'+r.IntN(10)))
		}
	case kind < 18:
		small := byte(r.IntN(2) * 0x20)
		for range 1 + r.IntN(8) {
			b = append(b, byte('A'+r.IntN(26))+small)
		}
	case kind < 19:
		for range 1 + r.IntN(4) {
			b = append(b, byte('!'+r.IntN('~'-'!'+1)))
		}
	default:
		b = append(b, byte(0x80+r.IntN(0x80)))
	}
	return b
}
