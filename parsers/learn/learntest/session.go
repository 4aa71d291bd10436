package learntest

import (
	"strconv"
	"time"

	"weighpost/parsers/layout"
)

// moment is the state of a balance when it prints.
type moment struct {
	value   amount // what the display shows
	moving  bool
	state   layout.Range
	kind    layout.Kind
	mode    int // index of the unit
	gross   amount
	tare    amount
	at      time.Time
	counter int
	count   int64
	percent amount
	lot     string
	person  string
	channel int
}

// habits is how a balance is used, and what it sends without being asked.
type habits struct {
	stream    bool // it sends all the time; else when somebody presses its print key
	impatient int  // of 100 prints, how many are made while the load still moves
	restless  int  // of 100 resting values, how many differ by one step from the one before
	overs     int  // of 100 loads, how many are out of range
	negatives int  // of 100 loads, how many are below zero
	zeroFirst bool
	lots      lotStyle
	people    []string
}

// session is one day at a balance.
type session struct {
	dice
	d       *design
	out     []moment
	load    int64 // in steps of the present unit
	tare    int64
	mode    int
	kind    layout.Kind
	at      time.Time
	counter int
	lot     string
	person  string
	channel int
}

// run puts loads on and takes them off until there are n prints.
func (s *session) run(n int) []moment {
	s.out = s.out[:0]
	if s.d.habits.zeroFirst || s.in100(45) {
		s.begin(s.d.modes[s.mode])
		s.load = 0
		s.rest()
	}
	for len(s.out) < n {
		s.next()
	}
	return s.out[:n]
}

// next is one load: what a person does between two prints.
func (s *session) next() {
	h, mode := &s.d.habits, s.d.modes[s.mode]
	if len(s.d.modes) > 1 && s.in100(40) {
		s.mode = s.IntN(len(s.d.modes))
		mode = s.d.modes[s.mode]
		s.load, s.tare = 0, min(s.tare, mode.max/mode.step/4)
	}
	s.begin(mode)
	before := s.load
	switch {
	case s.in100(h.overs):
		s.beyond()
		return
	case s.in100(h.negatives):
		s.load = -1 - s.Int64N(max(1, mode.max/mode.step/int64(one(s.dice, 10, 50, 1000))))
	case s.in100(10):
		s.load = 0
	default:
		s.load = s.newLoad(mode)
	}
	if h.stream || s.in100(h.impatient) {
		s.settle(before)
	}
	s.rest()
}

// begin is what a person does before putting a load on: another sample, another person, the tare key.
func (s *session) begin(m unitMode) {
	h := &s.d.habits
	s.counter++
	s.lot = h.lots.next(s.dice, s.counter)
	if len(h.people) > 0 && s.in100(20) {
		s.person = one(s.dice, h.people...)
	}
	s.changeKind(m)
}

// newLoad draws a load: as often a tenth of the capacity as a hundredth.
func (s *session) newLoad(m unitMode) int64 {
	top := m.max / m.step
	for range s.IntN(4) {
		top = max(top/7, 20)
	}
	return 1 + s.Int64N(top)
}

// changeKind presses the tare key now and then, where the balance prints the kind.
func (s *session) changeKind(m unitMode) {
	if len(s.d.kinds) == 0 {
		return
	}
	s.kind = one(s.dice, s.d.kinds...)
	if s.tare == 0 || s.in100(15) {
		s.tare = 1 + s.Int64N(max(1, m.max/m.step/5))
	}
}

// settle prints values on their way to the load.
func (s *session) settle(from int64) {
	seen := map[int64]bool{s.load: true, s.load + 1: true, s.load - 1: true, from: true}
	gap := s.load - from
	for range s.between(1, 3) {
		gap = gap * int64(s.between(5, 60)) / 100
		v := s.load - gap
		if seen[v] {
			continue
		}
		seen[v], seen[v+1], seen[v-1] = true, true, true
		s.print(v, true, layout.InRange)
	}
}

// rest prints the load once it lies still: once by the key, several times in a stream.
func (s *session) rest() {
	n := 1
	switch {
	case s.d.habits.stream:
		n = s.between(2, 4)
	case s.in100(22):
		n = s.between(2, 3)
	}
	for i := range n {
		v := s.load
		if i > 0 && s.in100(s.d.habits.restless) {
			v += int64(one(s.dice, -1, 1))
		}
		s.print(v, false, layout.InRange)
	}
}

// beyond prints that the load is out of range.
func (s *session) beyond() {
	state := layout.OverRange
	if s.in100(25) {
		state = layout.UnderRange
	}
	for range s.between(1, 2) {
		s.print(0, true, state)
	}
	s.load = 0
}

func (s *session) print(steps int64, moving bool, state layout.Range) {
	m := s.d.modes[s.mode]
	of := func(n int64) amount { return amount{n: n * m.step, scale: m.scale} }
	p := moment{value: of(steps), moving: moving, state: state, kind: s.kind, mode: s.mode, counter: s.counter, lot: s.lot, person: s.person, channel: s.channel}
	p.tare, p.gross = of(s.tare), of(steps+s.tare)
	if s.kind == layout.KindTare || s.kind == layout.KindPresetTare {
		p.value = of(s.tare)
		p.moving = false
	}
	p.value.negative = p.value.n == 0 && s.in100(4)
	p.count = max(0, steps/7)
	p.percent = amount{n: max(0, steps) % 2000, scale: 1}
	if s.d.habits.stream {
		s.at = s.at.Add(time.Duration(s.between(1, 9)) * 100 * time.Millisecond)
	} else {
		s.at = s.at.Add(time.Duration(s.between(3, 200)) * time.Second)
	}
	p.at = s.at
	s.out = append(s.out, p)
}

// lotStyle is how the lab of a balance names its samples.
type lotStyle uint8

const (
	noLots  lotStyle = iota
	dashed           // TRIF-2026-0117
	spaced           // RYE 12
	numbers          // 004711
	slashed          // OAT/9
)

var crops = []string{"OAT", "RYE", "TRIF", "VICIA", "LENS", "BETA", "ALL", "PHAS", "HORD", "LINUM"}

func (l lotStyle) next(d dice, counter int) string {
	crop := one(d, crops...)
	switch l {
	case dashed:
		return crop + "-2026-" + pad(counter*7+d.IntN(7), 4)
	case spaced:
		if d.in100(20) {
			return crop
		}
		return crop + " " + strconv.Itoa(1+d.IntN(140))
	case numbers:
		return pad(d.IntN(1000000), 6)
	case slashed:
		return crop + "/" + strconv.Itoa(1+d.IntN(99))
	}
	return ""
}

// pad writes a number with zeros in front.
func pad(n, width int) string {
	s := strconv.Itoa(n)
	for len(s) < width {
		s = "0" + s
	}
	return s
}
