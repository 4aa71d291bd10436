package procedure

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

func random(t *testing.T) (*rand.Rand, uint64) {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	if s := os.Getenv("WEIGHPOST_SEED"); s != "" {
		seed, _ = strconv.ParseUint(s, 10, 64)
	}
	return rand.New(rand.NewPCG(seed, 12)), seed
}

// agains counts how much was shown.
type agains struct{ tried, same int }

func (a *agains) count(b agains) { a.tried, a.same = a.tried+b.tried, a.same+b.same }

// anew works a run of the lab out anew.
func (l *lab) anew(c Changes) (Found, []record.Reworked) {
	l.t.Helper()
	f, worked, err := Again(l.def, l.begun, l.log, c)
	if err != nil {
		l.t.Fatal(err)
	}
	return f, worked
}

// taken gives the ids of the weighings that became steps that count.
func (l *lab) taken() (all []string) {
	for _, e := range l.run.counts {
		if e.Weighing != nil {
			all = append(all, e.Weighing.ID)
		}
	}
	return all
}

// again holds a run of any kind that was worked out anew, by so many random changes, against what has to be so of it.
func (l *lab) again(r *rand.Rand, times int) (n agains) {
	l.t.Helper()
	was, entries := asJSON(l.t, l.run.Found()), asJSON(l.t, l.log)
	for _, all := range []bool{true, false} { // everything worked out anew, and only what a change touches
		f, worked, err := again(l.def, l.begun, l.log, Changes{}, all)
		if err != nil || asJSON(l.t, f) != was || len(worked) != 0 {
			l.t.Fatalf("with no change (all: %v) it found\n%s, and first\n%s\nworked out: %s; %v", all, asJSON(l.t, f), was, asJSON(l.t, worked), err)
		}
	}
	ids := l.taken()
	if len(ids) == 0 {
		return n
	}
	for range times {
		l.excludes(r, ids, was)
		id := ids[r.IntN(len(ids))]
		n.tried++
		if l.altered(r, id) {
			n.same++
		}
	}
	if now := asJSON(l.t, l.log); now != entries {
		l.t.Fatalf("what was recorded changed from\n%s\nto\n%s", entries, now)
	}
	return n
}

// excludes leaves weighings out, and takes them in again.
func (l *lab) excludes(r *rand.Rand, ids []string, was string) {
	l.t.Helper()
	var list []*record.RunCorrected
	for range 1 + r.IntN(3) {
		list = append(list, &record.RunCorrected{Change: record.CorrectExclude, Of: record.EntryRef{ID: ids[r.IntN(len(ids))]}, Reason: "spilt"})
	}
	c, err := ChangesOf(list)
	if err != nil {
		l.t.Fatal(err)
	}
	f, worked := l.anew(c)
	for _, one := range f.Weighings {
		if _, out := c.Excluded[one.ID]; out {
			l.t.Fatalf("%s is excluded, and results rest on it: %s", one.ID, asJSON(l.t, f))
		}
	}
	for _, one := range worked {
		if one.Value.Digits == "" && one.Value.Text == "" && one.Why == "" {
			l.t.Fatalf("a step has no value, and does not say why: %s", asJSON(l.t, one))
		}
	}
	for _, one := range slices.Clone(list) {
		list = append(list, &record.RunCorrected{Change: record.CorrectInclude, Of: one.Of, Reason: "it was not spilt"})
	}
	if c, err = ChangesOf(list); err != nil {
		l.t.Fatal(err)
	}
	if f, worked = l.anew(c); asJSON(l.t, f) != was || len(worked) != 0 {
		l.t.Fatalf("left out and taken in again, it found\n%s, and first\n%s", asJSON(l.t, f), was)
	}
}

// altered reads a weighing anew, and holds what the run finds against a run of its own to which all the same came, with that weighing as it is
// read anew. same is false where that run takes another way, so that there is nothing to compare.
func (l *lab) altered(r *rand.Rand, id string) (same bool) {
	l.t.Helper()
	var read record.Value
	alter := func(w *record.Weighing) *record.Weighing {
		if w.ID != id {
			return w
		}
		c := *w
		c.Value.Digits = otherDigits(r, w.Value.Digits)
		read = c.Value
		return &c
	}
	own, same := l.anotherRun(alter)
	if read.Digits == "" { // a slip
		return false
	}
	f, worked := l.anew(Changes{Values: map[string]record.Value{id: read}})
	if !same {
		return false
	}
	want := own.Found()
	for _, list := range [][]record.RunResult{f.Results, want.Results} {
		for i := range list {
			list[i].Allowed = "" // nobody allowed the other value
		}
	}
	if asJSON(l.t, f) != asJSON(l.t, want) {
		l.t.Fatalf("%s read anew as %s:\n%s\na run of its own found\n%s\nworked out: %s", id, read.Shown(), asJSON(l.t, f), asJSON(l.t, want), asJSON(l.t, worked))
	}
	return true
}

// otherDigits changes the last digit by one, or any of them.
func otherDigits(r *rand.Rand, digits string) string {
	b := []byte(digits)
	at := len(b) - 1
	if r.IntN(3) == 0 {
		at = r.IntN(len(b))
	}
	if b[at] < '0' || b[at] > '9' {
		at = len(b) - 1
	}
	b[at] = '0' + (b[at]-'0'+1)%10
	return string(b)
}

// anotherRun gives a run to which all came that came to this one, with weighings altered, and whether it went the same way.
func (l *lab) anotherRun(alter func(*record.Weighing) *record.Weighing) (*Run, bool) {
	l.t.Helper()
	r, err := Open(l.def, l.begun)
	if err != nil {
		l.t.Fatal(err)
	}
	same, k := true, 0
	for _, did := range l.did {
		for _, e := range did(r, alter) {
			if k == len(l.log) {
				return r, false
			}
			was := l.log[k]
			k++
			way := func(e *record.RunStep) string { return fmt.Sprint(e.Step, e.Pass, e.Became, e.Next, e.Weighing) }
			same = same && way(e) == way(was)
			c := *e
			c.Seq, c.ID, c.Schema, c.Stamp = was.Seq, was.ID, was.Schema, was.Stamp
			r.Apply(read(l.t, []byte(asJSON(l.t, &c))))
		}
	}
	return r, same && k == len(l.log)
}

// whys gives what was worked out anew as lines: the step, its value and why.
func whys(list []record.Reworked) (all []string) {
	for _, one := range list {
		pass := ""
		if one.Pass > 0 {
			pass = "#" + strconv.Itoa(one.Pass)
		}
		all = append(all, strings.TrimSpace(one.Step+pass+" "+shownOf(&one.Value)+" | "+one.Why))
	}
	return all
}
