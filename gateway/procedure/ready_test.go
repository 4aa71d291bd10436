package procedure

import (
	"fmt"
	"io/fs"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/configs"
	"weighpost/gateway/formula"
	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// A script in testdata/ready is one published example played through a run of a ready procedure, one line for each thing that happens:
//
//	procedure NAME, source TEXT, sure TEXT     what is played, where its numbers stand, how sure they are
//	parameter NAME VALUE                       given before the run begins
//	scan ID …, done, answer VALUE              what the person does; several ids are scanned one after the other
//	weigh NUMBER … UNIT                        weighings, one after the other
//	each N: ACT; ACT                           the acts N times
//	tared NUMBER … UNIT                        as weigh, with the balance tared by the person before each
//	later 17h                                  time goes by
//	second ID                                  another person confirms
//	balance ID, person ID                      the run goes on at another balance, or somebody else takes it over
//	fails STEP, allow REASON, repeat REASON    the value of a step is outside its limits; what is done about it
//	investigated REF REASON                    as allow, with the reference of an investigation
//	stops SENTENCE: ACT                        the act is stopped with a sentence that holds these words
//	printed STEP[#PASS] VALUE [cut | 1 off]    what the source prints: the exact value rounds to it; cut: the source cut its digits off;
//	                                           1 off: it rounded on the way, and is one unit off
//	worked STEP[#PASS] VALUE                   as printed, where the source prints no result and it was worked out by somebody else's formula or by hand
//	reported STEP[#PASS] VALUE                 the digits and the unit that the run reports
//	limits STEP[#PASS] WORDS                   the limits that the value is held against, as the run tells them
//	excluded STEP WORDS                        the record of a value names these as left out
//	verdict WORD                               of the whole run
type player struct {
	*lab
	name  string
	lines []string
	held  int // values of the source that were held
}

func (p *player) fail(i int, format string, args ...any) {
	p.t.Helper()
	p.t.Fatalf("%s, line %d: %s: %s", p.name, i+1, p.lines[i], fmt.Sprintf(format, args...))
}

// play plays a script.
func play(t *testing.T, path string) *player {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	p := &player{name: filepath.Base(path), lines: strings.Split(strings.TrimSpace(string(text)), "\n")}
	p.lab = &lab{t: t}
	params, said := map[string]string{}, map[string]string{}
	first := 0
	for ; first < len(p.lines); first++ {
		word, rest, _ := strings.Cut(p.lines[first], " ")
		if word == "parameter" {
			name, value, _ := strings.Cut(rest, " ")
			params[name] = value
		} else if slices.Contains([]string{"procedure", "source", "sure"}, word) {
			said[word] = rest
		} else if word != "#" && word != "" {
			break
		}
	}
	if said["procedure"] == "" || said["source"] == "" || said["sure"] == "" {
		t.Fatalf("%s does not say its procedure, its source and how sure that is", p.name)
	}
	src, err := configs.Procedures.ReadFile("procedures/" + said["procedure"] + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	p.lab = begin(t, string(src), params)
	now := first
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("%s, line %d: %s", p.name, now+1, p.lines[min(now, len(p.lines)-1)])
		}
	})
	p.fresh = false // held at the end: some runs have hundreds of entries
	p.facts.Readability = rat("0.00001")
	p.facts.Container = func(id string) (Known, bool) { return Known{}, !strings.HasPrefix(id, "unknown") }
	p.facts.MayAllow, p.facts.MaySecond = true, true
	for ; now < len(p.lines); now++ {
		p.line(now, p.lines[now])
	}
	p.same()
	return p
}

func (p *player) line(i int, line string) {
	p.t.Helper()
	word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
	switch word {
	case "", "#":
	case "each":
		times, acts, _ := strings.Cut(rest, ": ")
		n, err := strconv.Atoi(times)
		if err != nil {
			p.fail(i, "%v", err)
		}
		for range n {
			for _, act := range strings.Split(acts, "; ") {
				p.line(i, act)
			}
		}
	case "stops":
		sentence, act, _ := strings.Cut(rest, ": ")
		p.stops(i, sentence, act)
	case "fails", "verdict", "printed", "worked", "reported", "limits", "excluded":
		p.holds(i, word, rest)
	default:
		for _, e := range p.does(i, word, rest) {
			if e.Became == record.StepStopped || e.Became == record.StepUnused {
				p.fail(i, "it became %s: %s", e.Became, e.Why)
			}
		}
	}
}

// does plays one act, and gives the entries that it made.
func (p *player) does(i int, word, rest string) (all []*record.RunStep) {
	p.t.Helper()
	fields := strings.Fields(rest)
	switch word {
	case "scan":
		for _, id := range fields {
			all = append(all, p.act(Act{Scan: id})...)
		}
	case "done":
		all = p.act(Act{Done: true})
	case "answer":
		all = p.act(Act{Answer: rest})
	case "weigh", "tared":
		for _, digits := range fields[:len(fields)-1] {
			if word == "tared" {
				all = append(all, p.act(Act{Done: true})...)
			}
			all = append(all, p.give(p.weighing(digits+" "+fields[len(fields)-1]))...)
		}
	case "later":
		d, err := time.ParseDuration(rest)
		if err != nil {
			p.fail(i, "%v", err)
		}
		p.later(d)
		p.passed()
		all = p.run.Pass(record.UTC(p.now))
		p.put(all)
	case "balance":
		all = p.act(Act{Aside: true})
		p.facts.Balance.ID = rest
		all = append(all, p.act(Act{At: rest})...)
	case "person":
		all = p.actAs(record.Actor{ID: rest, Name: rest, By: "signed-in"}, Act{Over: true})
	case "second":
		all = p.actAs(record.Actor{ID: rest, Name: rest, By: "signed-in"}, Act{Yes: true})
	case "allow":
		all = p.act(Act{Allow: rest})
	case "investigated":
		ref, reason, _ := strings.Cut(rest, " ")
		all = p.act(Act{Allow: reason, Ref: ref})
	case "repeat":
		all = p.act(Act{Repeat: rest})
	case "leave":
		all = p.act(Act{Leave: rest})
	default:
		p.fail(i, "nobody knows what that is")
	}
	return all
}

// act does an act as whoever performs the run.
func (p *player) act(a Act) []*record.RunStep {
	p.t.Helper()
	return p.actAs(p.run.Performer(), a)
}

func (p *player) stops(i int, sentence, act string) {
	p.t.Helper()
	before := p.run.Next(p.facts)
	word, rest, _ := strings.Cut(act, " ")
	for _, e := range p.does(i, word, rest) {
		if e.Became != record.StepStopped || !strings.Contains(e.Why, sentence) {
			p.fail(i, "it became %s: %s", e.Became, e.Why)
		}
	}
	if after := p.run.Next(p.facts); after.Step != before.Step || after.Pass != before.Pass {
		p.fail(i, "the run went on to %s", after.Step)
	}
}

// holds holds what the run has found against a line.
func (p *player) holds(i int, word, rest string) {
	p.t.Helper()
	fields := strings.Fields(rest)
	switch word {
	case "fails":
		p.waits(ForAllowed, rest)
	case "verdict":
		if n := p.run.Next(p.facts); n.Waiting != ForEnd {
			p.fail(i, "the run is not at its end: it waits for %s at %s %s", n.Waiting, n.Step, n.Explains)
		}
		if f := p.run.Found(); f.Verdict != rest {
			p.fail(i, "the verdict is %s: %s", f.Verdict, asJSON(p.t, f.Results))
		}
	case "reported":
		name, want, _ := strings.Cut(rest, " ")
		if got := shownOf(p.value(i, name).entry.Value); got != want {
			p.fail(i, "the run reports %s", got)
		}
	case "excluded":
		name, want, _ := strings.Cut(rest, " ")
		if got := strings.Join(p.value(i, name).entry.Worked.Excluded, "; "); got != want {
			p.fail(i, "the record says %q", got)
		}
	case "limits":
		name, want, _ := strings.Cut(rest, " ")
		var got []string
		for _, v := range p.value(i, name).entry.Verdicts {
			got = append(got, v.Limit)
		}
		if !slices.Contains(got, want) {
			p.fail(i, "the limits are %q", got)
		}
		p.held++
	case "printed", "worked":
		how := ""
		if n := len(fields); fields[n-1] == "cut" {
			fields, how = fields[:n-1], "cut"
		} else if n > 3 && fields[n-1] == "off" {
			fields, how = fields[:n-2], "off"
		}
		p.printed(i, p.value(i, fields[0]), fields[1:], how)
		if word == "printed" {
			p.held++
		}
	}
}

// value is what a step found, in a pass.
func (p *player) value(i int, name string) *value {
	p.t.Helper()
	step, pass, _ := strings.Cut(name, "#")
	n, _ := strconv.Atoi(pass) // "" is 0, outside blocks
	s, known := p.def.plan.byID[step]
	if !known {
		p.fail(i, "there is no step %s", step)
	}
	v := p.run.state.values[at{s, n}]
	if v == nil {
		p.fail(i, "the step has no value")
	}
	return v
}

// printed holds an exact value against one in print.
func (p *player) printed(i int, v *value, want []string, how string) {
	p.t.Helper()
	code := ""
	if len(want) > 1 {
		code = want[1]
	}
	u, err := formula.ParseUnit(code)
	if err != nil {
		p.fail(i, "%v", err)
	}
	q, err := v.v.Quantity.In(u)
	if err != nil {
		p.fail(i, "%v", err)
	}
	_, after, _ := strings.Cut(want[0], ".")
	step := big.NewRat(1, 1)
	for range after {
		step.Quo(step, big.NewRat(10, 1))
	}
	off := new(big.Rat).Sub(q.Value(), rat(want[0])) // what it is above the printed value
	low, high := new(big.Rat).Quo(step, big.NewRat(-2, 1)), new(big.Rat).Quo(step, big.NewRat(2, 1))
	switch how {
	case "cut":
		low, high = new(big.Rat), step
	case "off":
		low, high = new(big.Rat).Mul(low, big.NewRat(3, 1)), new(big.Rat).Mul(high, big.NewRat(3, 1))
	}
	if off.Cmp(low) < 0 || off.Cmp(high) > 0 {
		p.fail(i, "the run found %s", metrology.Exact(q.Value()))
	}
}

func TestReadyProcedures(t *testing.T) {
	scripts, err := filepath.Glob("testdata/ready/*.txt")
	if err != nil {
		t.Fatal(err)
	}
	held, altered := map[string]int{}, agains{}
	r, seed := random(t)
	for _, path := range scripts {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) {
			p := play(t, path)
			t.Logf("%s: %d printed values", p.def.Name, p.held)
			again := p.again(r, 3)
			altered.count(again)
			held[p.def.Name] += p.held
		})
	}
	t.Logf("seed %d: of %d weighings read anew, %d went the same way and found the same in a run of their own", seed, altered.tried, altered.same)
	for _, name := range readyNames(t) {
		if held[name] == 0 && !t.Failed() {
			t.Errorf("no printed value was held for %s", name)
		}
	}
}

// readyNames lists the ready procedures.
func readyNames(t *testing.T) (names []string) {
	t.Helper()
	files, err := fs.ReadDir(configs.Procedures, "procedures")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		names = append(names, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	return names
}

// Every one has a purpose, a source and cautions, and the name of its file.
func TestReadyProceduresAreWhole(t *testing.T) {
	for _, name := range readyNames(t) {
		src, err := configs.Procedures.ReadFile("procedures/" + name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		d, err := Parse(name+".yaml", src)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		if d.Name != name || d.Source == "" || len(d.Cautions) < 2 {
			t.Errorf("%s: named %s, source %q, %d cautions", name, d.Name, d.Source, len(d.Cautions))
		}
	}
}
