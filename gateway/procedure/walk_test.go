package procedure

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// maker writes random definitions that have no mistakes.
type maker struct {
	*rand.Rand
	text   strings.Builder
	n      int
	masses []string // names of masses that have a value from here on, in any case
	lists  []string // of blocks that are behind
}

func (m *maker) some(words ...string) string { return words[m.IntN(len(words))] }

func (m *maker) step(format string, args ...any) string {
	m.n++
	id := "s" + strconv.Itoa(m.n)
	fmt.Fprintf(&m.text, "- {step: %s, %s}\n", id, fmt.Sprintf(format, args...))
	return id
}

// limits are met or not by weights of 1 to 100 g.
func (m *maker) limits() string {
	return m.some("limits: {from: none}", "limits: {at_least: 5 g, from: test}, outside: repeat, repeats: 2", "limits: {at_least: 50 g}, outside: note",
		"limits: {at_most: 60 g, warn_above: 40 g}, outside: investigation", "limits: {at_least: 0.02 kg}")
}

// oneOf writes a step of any kind that has no flow of its own. in is what places it in a block.
func (m *maker) any(in string, masses []string) (mass string) {
	switch m.IntN(9) {
	case 0:
		m.step("do: instruct, say: Stir well., %s", in)
	case 1:
		m.step("%s, %s", m.some("do: ask, unit: mL", "do: ask, kind: text", "do: ask, kind: choice, choices: [a, b]", "do: ask, kind: date"), in)
	case 2:
		m.step("do: tare, %s", in)
	case 3:
		return m.step("do: empty, %s", in)
	case 4:
		m.step("do: confirm, say: Look., other_than: %s, %s", m.some("performers", "last"), in)
	case 5:
		m.step("do: wait, for: %dm, %s", 1+m.IntN(90), in)
	case 6:
		m.step("do: environment, what: %s, %s", m.some("temperature", "humidity", "pressure"), in)
	case 7:
		m.step("do: identify, what: reagent, %s", in)
	default:
		return m.weigh(in, masses)
	}
	return ""
}

func (m *maker) weigh(in string, masses []string) string {
	more := ""
	switch m.IntN(4) {
	case 0:
		more = ", target: p / 2, tolerance: 50 %"
	case 1:
		more = ", minimum: " + m.some("refuse", "note", "none")
	}
	return m.step("do: weigh, %s, %s%s", in, m.limits(), more)
}

func (m *maker) compute(in string, masses []string) string {
	a, b := m.some(masses...), m.some(masses...)
	return m.step("do: compute, %s, formula: '%s', unit: g, %s, %s", in, m.some("("+a+" + "+b+") / 3", a+" * 2 - "+b, "max("+a+", p)", "sqrt("+a+" ^ 2)"),
		m.some("round: 0.01 g", "round: 3 digits, rounding: half-up", "label: L"), m.limits())
}

// block writes a block of items or of times.
func (m *maker) block(name string, items string) {
	in := "in: " + name
	own := append([]string{"p"}, m.masses...)
	if items != "" {
		m.step("do: identify, what: %s, %s", items, in)
	}
	first := m.weigh(in, own)
	own = append(own, first)
	for range m.IntN(3) {
		if mass := m.any(in, own); mass != "" {
			own = append(own, mass)
		}
	}
	if m.IntN(3) == 0 {
		m.step("do: decide, %s, if: 'abs(%s - before(%s)) > \"30 g\"', then: %s, at_most: 2, outside: note", in, first, first, first)
	}
	m.lists = append(m.lists, first, m.compute(in, own))
}

func (m *maker) definition() string {
	about := m.some("nothing", "samples", "containers", "both")
	most := 1 + m.IntN(3)
	if about == "nothing" {
		most = 1
	}
	what := strings.TrimSuffix(m.some(map[string][]string{"nothing": {""}, "samples": {"samples"}, "containers": {"containers"}, "both": {"samples", "containers"}}[about]...), "s")
	blocks := ""
	m.masses = []string{"p"}
	for i := range 2 + m.IntN(4) {
		name := fmt.Sprintf("b%d", i)
		switch m.IntN(4) {
		case 0:
			blocks += fmt.Sprintf("- {name: %s, times: %s%s}\n", name, m.some("2", "k"), m.some("", ", more_while: 'p > \"1 g\" and 1 > 2', most: 7", ", more_while: 'p > \"1 g\"', more: 2, most: 7"))
			m.block(name, "")
		case 1:
			if what != "" {
				blocks += fmt.Sprintf("- {name: %s, over: items}\n", name)
				m.block(name, what)
				continue
			}
			fallthrough
		default:
			m.outside()
		}
	}
	if len(m.lists) > 0 {
		m.masses = append(m.masses, m.step("do: compute, formula: mean(%s), unit: g, round: 0.1 g, %s", m.some(m.lists...), m.limits()))
	}
	last := m.compute("", m.masses)
	if about != "nothing" && !strings.Contains(m.text.String(), "what: "+what) {
		last = m.compute("", m.masses)
	}
	return fmt.Sprintf("procedure: t\ntitle: T\nabout: %s\nmost: %d\nparameters:\n- {name: p, unit: g, default: 40 g}\n- {name: k, default: \"3\"}\n", about, most) +
		map[bool]string{true: "blocks:\n" + blocks}[blocks != ""] + "steps:\n" + strings.NewReplacer(", , ", ", ", ", }", "}").Replace(m.text.String()) + "results: [" + last + "]\n"
}

// outside writes steps that are in no block, and perhaps a decision.
func (m *maker) outside() {
	back := ""
	for range 1 + m.IntN(3) {
		mass := m.any("", m.masses)
		if back == "" {
			back = fmt.Sprintf("s%d", m.n)
		}
		if mass != "" {
			m.masses = append(m.masses, mass)
		}
	}
	switch a := m.masses[m.IntN(len(m.masses))]; m.IntN(4) {
	case 0:
		m.step("do: weigh, when: '%s > \"50 g\"', limits: {from: none}", a)
	case 1: // over a step, which then has a value in some ways only
		m.step("do: decide, if: '%s > \"50 g\"', then: s%d", a, m.n+3)
		m.any("", m.masses)
		m.step("do: instruct, say: Here both ways meet.")
	case 2:
		w := m.step("do: weigh, limits: {from: none}")
		m.masses = append(m.masses, w)
		m.step("do: decide, if: 'abs(%s - before(%s)) > \"30 g\"', then: %s, at_most: 3", w, w, m.some(back, w))
	case 3:
		m.masses = append(m.masses, m.compute("", m.masses))
	}
}

// walker goes through a run at random.
type walker struct {
	*lab
	*rand.Rand
	given map[string]bool // weighings
	who   record.Actor
}

// TestRandomRuns: random definitions of all kinds of step, walked at random: right acts, wrong ones, weights of every sort, changes of person
// and of balance, steps back. After each entry the run is made anew of its entries and has to be where it is. Nothing panics; what is refused
// changes nothing; every weighing is in one entry; every run can end. WEIGHPOST_SEED repeats a walk.
func TestRandomRuns(t *testing.T) {
	seed, runs := uint64(time.Now().UnixNano()), 60
	if s := os.Getenv("WEIGHPOST_SEED"); s != "" {
		seed, _ = strconv.ParseUint(s, 10, 64)
	}
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		runs = 2000
	}
	ended, acted, altered := map[string]int{}, map[string]int{}, agains{}
	for i := range uint64(runs) {
		r := rand.New(rand.NewPCG(seed+i, 11))
		m := &maker{Rand: r}
		text := m.definition()
		if _, err := Parse("random", []byte(text)); err != nil {
			t.Fatalf("WEIGHPOST_SEED=%d makes a definition with mistakes:\n%v\n%s", seed+i, err, text)
		}
		if !t.Run(strconv.FormatUint(seed+i, 10), func(t *testing.T) { ended[walk(t, text, r, acted, &altered)]++ }) {
			t.Fatalf("repeat it with WEIGHPOST_SEED=%d\n%s", seed+i, text)
		}
	}
	t.Logf("seed %d: %v; entries by what became of them: %v; of %d weighings read anew, %d went the same way and found the same in a run of their own", seed,
		ended, acted, altered.tried, altered.same)
	if os.Getenv("WEIGHPOST_SEED") != "" {
		return
	}
	if ended[record.RunComplete] < runs/2 {
		t.Errorf("of %d runs only %d came to their end: the walk shows little", runs, ended[record.RunComplete])
	}
	for _, do := range []string{Identify, Ask, Instruct, Tare, Empty, Weigh, Compute, Decide, Confirm, Wait, Environment} {
		if acted[do+" "+record.StepTaken] == 0 {
			t.Errorf("no step to %s was ever taken", do)
		}
	}
	for _, became := range []string{record.StepStopped, record.StepReplaced, record.StepUnused, record.StepAllowed, record.StepSkipped, record.RunMoved, record.RunPutAside, record.RunHandedOver} {
		if acted[became] == 0 {
			t.Errorf("nothing ever was %s", became)
		}
	}
}

func walk(t *testing.T, text string, r *rand.Rand, acted map[string]int, altered *agains) string {
	def := parse(t, text)
	var items []record.RunItem
	needs := !strings.Contains(text, "what: sample") && !strings.Contains(text, "what: container")
	if def.About != "nothing" && (needs || r.IntN(2) == 0) {
		for i := range 1 + r.IntN(def.Most) {
			one := record.RunItem{Sample: fmt.Sprintf("S-%d", i), Container: fmt.Sprintf("c%d", i)}
			if def.About == "samples" {
				one.Container = ""
			}
			if def.About == "containers" {
				one.Sample = ""
			}
			items = append(items, one)
		}
	}
	l := begin(t, text, nil, items...)
	l.facts.MaySecond = true
	if r.IntN(4) > 0 {
		l.facts.Minimum = &record.MinimumWeight{Mass: "2 g", Source: "test"}
	}
	l.facts.Container = func(id string) (Known, bool) {
		return Known{Container: record.Container{ID: id}}, strings.HasPrefix(id, "c")
	}
	w := &walker{lab: l, Rand: r, given: map[string]bool{}, who: ada}
	for i := range 400 {
		wild := i < 120 && r.IntN(3) == 0
		if l.run.Next(l.facts).Waiting == ForEnd && !wild {
			break
		}
		l.fresh = i < 40 || i%9 == 0
		w.event(wild)
	}
	l.same()
	w.weighings()
	altered.count(l.again(r, 1))
	for _, e := range l.log {
		acted[e.Became]++
		acted[e.Does+" "+e.Became]++
	}
	if l.run.Next(l.facts).Waiting == ForEnd {
		return record.RunComplete
	}
	l.facts.MayAllow = true
	if steps, err := l.run.Act(Act{Abandon: "it goes round and round"}, ben, record.UTC(l.now), l.facts); err != nil || len(steps) != 0 {
		t.Fatalf("the run cannot end: %v", err)
	}
	l.run.Close(record.RunAbandoned)
	if _, err := l.run.Act(Act{Done: true}, ada, record.UTC(l.now), l.facts); err == nil || l.run.Next(l.facts).Waiting != ForNothing {
		t.Fatalf("a run that has ended goes on: %v", err)
	}
	return record.RunAbandoned
}

// event does one thing: what the run waits for, or something wild.
func (w *walker) event(wild bool) {
	n := w.run.Next(w.facts)
	if n.Found != nil && (n.Found.Entry.Step != n.Step || n.Found.Entry.Pass != n.Pass || record.WorstOf(n.Found.Entry.Verdicts) != record.CheckFailed) {
		w.t.Fatalf("%s is outside its limits, it is said, and the run is at %s: %s", n.Found.Entry.Step, n.Step, asJSON(w.t, n.Found))
	}
	w.now = w.now.Add(time.Duration(w.IntN(200)) * time.Second)
	w.facts.MayAllow = w.IntN(3) > 0
	if wild {
		w.wild(n)
		return
	}
	switch n.Waiting {
	case ForScan:
		w.scan(n)
	case ForAnswer:
		w.try(Act{Answer: map[string]string{"quantity": strconv.Itoa(1 + w.IntN(90)), "text": "words", "date": "2026-11-30"}[n.Kind] + strings.Join(n.Choices[:min(1, len(n.Choices))], "")})
	case ForDone:
		w.try(Act{Done: true})
	case ForWeight:
		w.weight(false)
	case ForBalance:
		w.place(n)
	case ForSecond:
		w.now = w.now.Add(time.Second)
		w.as(record.Actor{ID: "second" + strconv.Itoa(len(w.log)), By: "signed-in"}, Act{Yes: true})
	case ForTime:
		w.now = w.now.Add(time.Duration(w.IntN(60)) * time.Minute)
		w.passed()
		if steps := w.run.Pass(record.UTC(w.now)); len(steps) > 0 {
			w.put(steps)
		} else {
			w.try(Act{Done: true})
		}
	case ForAllowed:
		if w.IntN(2) == 0 {
			w.try(Act{Repeat: "once more"})
		}
		w.try(Act{Allow: "it is known", Ref: "OOS-1"})
	}
}

func (w *walker) scan(n Instruction) {
	switch {
	case strings.Contains(n.Say, "reagent"):
		w.try(Act{Scan: "LOT-1"})
	case len(n.Left) > 0:
		i := n.Left[w.IntN(len(n.Left))]
		id := *idOf(&i, w.run.state.step().What)
		w.try(Act{Scan: id})
	case w.IntN(3) == 0 && len(w.run.Items()) > 0:
		w.try(Act{Done: true})
	default:
		w.try(Act{Scan: map[string]string{"sample": "S-", "container": "c"}[w.run.state.step().What] + strconv.Itoa(w.IntN(9))})
	}
}

// place brings the run to a balance that it may use.
func (w *walker) place(n Instruction) {
	id := "b-1"
	if n.Balance != "" {
		id = n.Balance
	}
	w.facts.Balance = record.Balance{ID: id, Readability: "0.0001 g"}
	w.try(Act{At: id})
}

// weight gives a weighing: a good one, or one with something wrong.
func (w *walker) weight(wrong bool) {
	one := w.weighing(fmt.Sprintf("%d.%04d g", 1+w.IntN(90), w.IntN(10000)))
	if wrong {
		switch w.IntN(8) {
		case 0:
			one.Value.Stability = "unstable"
		case 1:
			one.Value.Range, one.Value.Digits = "over", ""
		case 2:
			one.Value.Kind = w.some("tare", "net", "preset tare")
		case 3:
			one.Value.Unit = w.some("%", "", "kg", "[oz_av]", "lb")
		case 4:
			one.Balance.ID = "b-9"
		case 5:
			one.Context.Sample = &record.Learnt{ID: "S-x"}
		case 6:
			one.Balance.Identity = "unconfirmed"
		case 7:
			one.Value.Digits = w.some("0.0000", "-3.2", ".5", "12.", "+1.0", "x")
		}
	}
	w.given[one.ID] = true
	steps := w.run.Weighed(one, w.facts)
	w.lab.given(one)
	w.put(steps)
	if again := w.run.Weighed(one, w.facts); len(again) != 0 {
		w.t.Fatalf("a weighing is decided twice: %s", asJSON(w.t, again))
	}
}

func (w *walker) some(words ...string) string { return words[w.IntN(len(words))] }

// wild does something that nobody asked for.
func (w *walker) wild(n Instruction) {
	switch {
	case n.Waiting == ForWeight && w.IntN(2) == 0:
		w.weight(true)
		return
	case n.Waiting == ForScan && w.IntN(2) == 0:
		w.try(Act{Scan: w.some("S-1", "c1", "x", "c0", "S-0", "(01)09506000134352(17)200101")})
		return
	}
	switch w.IntN(12) {
	case 0:
		w.weight(true)
	case 1:
		w.weight(false)
	case 2:
		w.try(Act{Back: "a mistake"})
	case 3:
		w.who = []record.Actor{ada, ben}[w.IntN(2)]
		w.as(w.who, Act{Over: true})
	case 4:
		w.try(Act{Aside: true})
	case 5:
		w.facts.Balance = record.Balance{ID: w.some("b-1", "b-2"), Readability: w.some("0.1 mg", "0.0001 g", "")}
		w.try(Act{At: w.facts.Balance.ID})
	case 6:
		w.try(Act{Leave: "it is gone"})
	case 7:
		w.try(Act{Scan: w.some("S-1", "c1", "x", "\x00", "c7")})
	case 8:
		w.try(Act{Answer: w.some("5", "-1 kg", "a", "12,5", "5 mL", "2026-13-45", "")})
	case 9:
		w.passed()
		w.put(w.run.Pass(record.UTC(w.now)))
	case 10:
		w.as(record.Actor{ID: "nobody"}, Act{Yes: w.IntN(2) == 0, Done: w.IntN(2) == 0, Over: w.IntN(9) == 0})
	case 11:
		w.try(Act{Repeat: "once more"})
	}
}

func (w *walker) try(a Act) { w.as(w.run.Performer(), a) }

// as does an act, which may be refused: then nothing has changed.
func (w *walker) as(by record.Actor, a Act) {
	before := w.run.Next(w.facts)
	steps, err := w.run.Act(a, by, record.UTC(w.now), w.facts)
	if after := w.run.Next(w.facts); asJSON(w.t, after) != asJSON(w.t, before) {
		w.t.Fatalf("%+v changed the run before anything was recorded", a)
	}
	if err != nil {
		if len(steps) != 0 || err.Error() == "" {
			w.t.Fatalf("%+v was refused with %d entries: %v", a, len(steps), err)
		}
		return
	}
	if len(steps) == 0 {
		w.t.Fatalf("%+v was taken, and nothing is recorded", a)
	}
	w.acted(by, a)
	w.put(steps)
}

// weighings holds that each weighing is in one entry, and counts or is unused at the end.
func (w *walker) weighings() {
	in := map[string]int{}
	for _, e := range w.log {
		if e.Weighing != nil && e.Became != record.StepReplaced {
			in[e.Weighing.ID]++
		}
	}
	f := w.run.Found()
	for _, one := range append(f.Weighings, f.Unused...) {
		in[one.ID] += 10
	}
	for id := range w.given {
		if in[id] != 11 {
			w.t.Errorf("the weighing %s is in %d entries (10: in the list at the end)", id, in[id])
		}
	}
	if len(in) != len(w.given) {
		w.t.Errorf("%d weighings were given, and %d are known", len(w.given), len(in))
	}
}
