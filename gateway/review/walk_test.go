package review

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/refusals"
)

// The rules once more, as somebody would draw them on a board: by state, what each act leads to. "-": it is not done then; "=": the state
// stays; "<": to the state before. They know nothing of the table in states.go.
const (
	columns = "submit return review approve replace archive unarchive look correct doubt"
	byOne   = `
complete           | in review | -        | - | -        | replaced | -        | - | = | =                  | =
abandoned          | -         | -        | - | -        | replaced | archived | - | = | -                  | =
in review          | -         | returned | - | approved | replaced | -        | - | = | =                  | =
returned           | in review | -        | - | -        | replaced | -        | - | = | =                  | =
reviewed           | -         | returned | - | -        | replaced | -        | - | = | needs review again | needs review again
approved           | -         | -        | - | -        | replaced | archived | - | = | needs review again | needs review again
needs review again | in review | -        | - | -        | replaced | -        | - | = | =                  | =
replaced           | -         | -        | - | -        | -        | archived | - | = | -                  | =
archived           | -         | -        | - | -        | -        | -        | < | = | -                  | =`
	byTwo = `
complete           | in review | -        | -        | -        | replaced | -        | - | = | =                  | =
abandoned          | -         | -        | -        | -        | replaced | archived | - | = | -                  | =
in review          | -         | returned | reviewed | -        | replaced | -        | - | = | =                  | =
returned           | in review | -        | -        | -        | replaced | -        | - | = | =                  | =
reviewed           | -         | returned | -        | approved | replaced | -        | - | = | needs review again | needs review again
approved           | -         | -        | -        | -        | replaced | archived | - | = | needs review again | needs review again
needs review again | in review | -        | -        | -        | replaced | -        | - | = | =                  | =
replaced           | -         | -        | -        | -        | -        | archived | - | = | -                  | =
archived           | -         | -        | -        | -        | -        | -        | < | = | -                  | =`
)

func board(text string) map[string]map[string]string {
	all := map[string]map[string]string{}
	for line := range strings.Lines(strings.TrimSpace(text)) {
		cells := strings.Split(line, "|")
		row := map[string]string{}
		for i, act := range strings.Fields(columns) {
			row[act] = strings.TrimSpace(cells[i+1])
		}
		all[strings.TrimSpace(cells[0])] = row
	}
	return all
}

// mayBy says who may do an act by their rights, and who by them and by having performed the run or not. Ada and Ben perform; Ben, Cleo and Dan
// have the right to review, Ben, Cleo and Eve that to approve, Ada, Ben and Fay that to run procedures.
func mayBy(act, state string, two, same bool) (byRight, byRule string) {
	switch act {
	case "submit":
		if state == "needs review again" {
			return "ada ben cleo dan", "ada ben cleo dan"
		}
		return "ada ben fay", "ada ben"
	case "return", "review", "approve":
		byRight, byRule = "ben cleo dan", "cleo dan"
		if two && act == "approve" {
			byRight, byRule = "ben cleo eve", "cleo eve"
		}
		if same {
			byRule = "ben " + byRule
		}
		return byRight, byRule
	case "archive", "unarchive":
		return "ben cleo eve", "ben cleo eve"
	case "correct":
		if state == "complete" || state == "returned" || state == "needs review again" {
			return "ada ben cleo dan", "ada ben cleo dan"
		}
	}
	return "ben cleo dan", "ben cleo dan"
}

// model is what a run has to be like.
type model struct {
	run              *performed
	state, before    string
	reviewer         string
	affected         bool // and nobody has signed since
	excluded, reread [3]bool
	tray             [3]string // as amended
}

func (m *model) goes(to, act, by string) {
	switch to {
	case "=":
		to = m.state
	case "<":
		to = m.before
	}
	if act == "archive" {
		m.before = m.state
	}
	if act == "review" {
		m.reviewer = by
	} else if to != "reviewed" && to != "archived" {
		m.reviewer = ""
	}
	if act == "review" || act == "approve" || act == "doubt" {
		m.affected = false
	}
	m.state = to
	if m.affected && (to == "reviewed" || to == "approved") { // it was judged while it was archived
		m.goes("needs review again", "doubt", "")
	}
}

// walk is one random walk.
type walk struct {
	*house
	random  *rand.Rand
	runs    []*model
	other   *performed // of the same procedure, complete, and left alone
	two     bool
	same    bool
	illegal uint64
	said    map[string]int // what was done: act by outcome
}

// TestRandomWalks: states × roles × acts. What the board allows is done and leads where it says; all else is refused, changes nothing and leaves
// its trace among the refused acts. What is known can be made anew from the entries, and from any snapshot with what came after it.
func TestRandomWalks(t *testing.T) {
	n := 300
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		n = 10_000
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d, %d walks", seed, n)
	said := map[string]int{}
	for i := range n {
		if walkOnce(t, rand.New(rand.NewPCG(seed, uint64(i))), said); t.Failed() {
			t.Fatalf("walk %d of seed %d", i, seed)
		}
	}
	for _, act := range append(strings.Fields(columns), "exclude", "include", "amend", "reread") {
		if act == "correct" {
			continue
		}
		t.Logf("%-10s %6d done, %6d refused", act, said[act+" done"], said[act+" refused"])
		if said[act+" done"] == 0 || act != "doubt" && act != "look" && said[act+" refused"] == 0 {
			t.Errorf("%s was never both done and refused: the walks show nothing of it", act)
		}
	}
}

func walkOnce(t *testing.T, random *rand.Rand, said map[string]int) {
	w := &walk{house: newHouse(t), random: random, said: said, two: random.IntN(2) == 0, same: random.IntN(4) == 0}
	defer func() { w.end() }()
	w.policy = Policy{Approvals: 1, SamePerson: w.same}
	if w.two {
		w.policy.Approvals = 2
	}
	w.cfg.SignSubmit = random.IntN(2) == 0
	book := refusals.New(w.journal, w.stamp, nil)
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() { defer close(over); book.Run(ctx) }()
	w.refused = func(what, why string, by record.Actor) { book.Note(what, "page", why, by) }
	states := []string{record.RunComplete, record.RunComplete, record.RunComplete, record.RunComplete, record.RunAbandoned}
	for range 2 {
		state := states[random.IntN(len(states))]
		m := &model{run: w.perform(state), state: state, tray: [3]string{"1", "2", "3"}}
		w.runs = append(w.runs, m)
	}
	w.other = w.perform(record.RunComplete, "10.000", "10.100", "10.200")
	kept, at := snapshotOf(t, w.Room)
	for range 30 {
		if w.step(); t.Failed() {
			break
		}
		if random.IntN(8) == 0 {
			w.rebuilt(kept, at)
			kept, at = snapshotOf(t, w.Room)
		}
	}
	w.rebuilt(kept, at)
	cancel()
	<-over
	var noted uint64
	for _, e := range entriesOf[record.Refused](w.house, record.KindRefused) {
		noted += e.Times
	}
	if noted != w.illegal {
		t.Errorf("%d acts were refused, and %d are in the journal", w.illegal, noted)
	}
}

// step tries one act of somebody on one of the runs.
func (w *walk) step() {
	m := w.runs[w.random.IntN(len(w.runs))]
	by := everybody[w.random.IntN(len(everybody))]
	acts := strings.Fields(columns)
	act := acts[w.random.IntN(len(acts))]
	if w.random.IntN(2) == 0 || act == "replace" && w.random.IntN(3) > 0 { // rather something that leads on
		by, act = w.leading(m)
	}
	before := w.written()
	stale := w.random.IntN(12) == 0
	switch act {
	case "doubt":
		w.judges(m.run.weighings[w.random.IntN(3)], record.EffectAffected)
		m.affected = true
		w.say("doubt", true)
		if to := w.board()[m.state]["doubt"]; to != "=" {
			m.goes(to, "doubt", "")
		}
		w.becomes(m.run.id, m.state)
	case "correct":
		w.correct(m, by, stale, before)
	default:
		w.act(m, by, act, stale, before)
	}
	w.is(m.run.id, m.state)
	w.is(w.other.id, record.RunComplete)
}

var boardOne, boardTwo = board(byOne), board(byTwo)

func (w *walk) board() map[string]map[string]string {
	if w.two {
		return boardTwo
	}
	return boardOne
}

// leading picks somebody and an act that the board allows.
func (w *walk) leading(m *model) (record.Actor, string) {
	if w.board()[m.state]["correct"] != "-" && w.random.IntN(3) == 0 {
		_, byRule := mayBy("correct", m.state, w.two, w.same)
		some := slices.DeleteFunc(slices.Clone(everybody), func(a record.Actor) bool { return !slices.Contains(strings.Fields(byRule), a.ID) })
		return some[w.random.IntN(len(some))], "correct"
	}
	for range 200 {
		by, act := everybody[w.random.IntN(len(everybody))], strings.Fields(columns)[w.random.IntN(8)]
		if w.board()[m.state][act] != "-" && act != "look" && w.may(m, by, act) && (act != "replace" && act != "archive" || w.random.IntN(10) == 0) {
			return by, act
		}
	}
	return cleo, "look"
}

func (w *walk) may(m *model, by record.Actor, act string) bool {
	_, byRule := mayBy(act, m.state, w.two, w.same)
	return slices.Contains(strings.Fields(byRule), by.ID) && (act != "approve" || !w.two || m.reviewer != by.ID)
}

// written counts the entries that are no refused acts.
func (w *walk) written() int {
	all, err := w.journal.Read(context.Background(), 0, 1_000_000)
	w.must(err)
	return len(slices.DeleteFunc(all, func(e record.Entry) bool { return e.Kind == record.KindRefused }))
}

func (w *walk) say(act string, done bool) {
	word := " refused"
	if done {
		word = " done"
	}
	w.said[act+word]++
}

// judge holds what came of an act against what had to.
func (w *walk) judge(what, act string, m *model, by record.Actor, err error, legal bool, before, more int) {
	w.t.Helper()
	byRight, _ := mayBy(act, m.state, w.two, w.same)
	not, lacks := denied(err)
	w.say(what, legal)
	switch {
	case legal && err != nil:
		w.t.Errorf("%s by %s of a run that is %s: %v", what, by.ID, m.state, err)
	case legal:
		if got := w.written(); got != before+more {
			w.t.Errorf("%s by %s: %d entries, want %d", what, by.ID, got-before, more)
		}
	case !slices.Contains(strings.Fields(byRight), by.ID) && !lacks:
		w.t.Errorf("%s by %s, who lacks the right, of a run that is %s: %v", what, by.ID, m.state, err)
	case !not && !lacks:
		w.t.Errorf("%s by %s of a run that is %s is not refused: %v", what, by.ID, m.state, err)
	}
	if !legal {
		w.illegal++
		if got := w.written(); got != before {
			w.t.Errorf("%s by %s was refused, and wrote %d entries", what, by.ID, got-before)
		}
	}
}

func (w *walk) act(m *model, by record.Actor, act string, stale bool, before int) {
	a := Act{Act: act, Reason: "it is due"}
	to := w.board()[m.state][act]
	legal := to != "-" && w.may(m, by, act)
	if act == "replace" {
		a.Other = []string{w.other.id, m.run.id, "r-aaaaa-999999"}[min(w.random.IntN(6), 2)*w.random.IntN(2)]
		legal = legal && a.Other == w.other.id
	}
	if stale {
		a.Seen = w.last(m.run.id) - 1 - uint64(w.random.IntN(3))
		legal = legal && act == "look" && w.ofRun(m.run.id, a.Seen)
	}
	if w.random.IntN(15) == 0 && slices.Contains([]string{"return", "replace", "archive", "unarchive"}, act) {
		a.Reason, legal = "\n", false
	}
	err := w.does(by, m.run.id, a)
	more := 1
	if act == "review" || act == "approve" || act == "submit" && w.cfg.SignSubmit {
		more = 2 // with its signature
	}
	was := *m
	if legal && err == nil {
		if act != "look" {
			m.goes(to, act, by.ID)
		}
		if act == "unarchive" && was.affected && m.state == "needs review again" {
			w.becomes(m.run.id, m.state)
			more++ // the doubt that had waited
		}
	}
	w.judge(act, act, &was, by, err, legal, before, more)
}

// ofRun says whether an entry is one of a run that a signature would cover.
func (w *walk) ofRun(id string, seq uint64) bool {
	w.view.Lock()
	defer w.view.Unlock()
	return slices.Contains(w.house.runs[id].Entries, seq)
}

func (w *walk) correct(m *model, by record.Actor, stale bool, before int) {
	i := w.random.IntN(3)
	c := Correction{Change: []string{record.CorrectExclude, record.CorrectInclude, record.CorrectAmend, record.CorrectReread}[w.random.IntN(4)], Of: m.run.weighings[i].ID}
	to := w.board()[m.state]["correct"]
	legal := to != "-" && w.may(m, by, "correct")
	if w.random.IntN(3) > 0 {
		c.Ref = "INV-7"
	}
	switch c.Change {
	case record.CorrectExclude:
		legal = legal && !m.excluded[i]
	case record.CorrectInclude:
		legal = legal && m.excluded[i]
	case record.CorrectAmend:
		c.Field, c.After = []string{"tray", "digits", "unit", "stamp", "frame", "value"}[min(w.random.IntN(10), 5)*w.random.IntN(2)], fmt.Sprint(w.random.IntN(4))
		legal = legal && c.Field == "tray" && m.tray[i] != c.After
	case record.CorrectReread:
		c.Layout = []string{"sha256:a", "sha256:b", "sha256:c"}[w.random.IntN(3)]
		legal = legal && c.Layout != "sha256:c" && m.reread[i] != (c.Layout == "sha256:a")
	}
	if legal && m.grave(c, i) && (c.Ref == "" || !slices.Contains([]string{"ben", "cleo", "dan"}, by.ID)) {
		legal = false
	}
	if stale {
		c.Seen, legal = w.last(m.run.id)-1, false
	}
	err := w.corrects(by, m.run.id, c)
	w.judge(c.Change, "correct", m, by, err, legal, before, 1)
	if !legal || err != nil {
		return
	}
	m.corrected(c, i)
	m.goes(to, "correct", by.ID)
	m.found(w.t, w.house)
}

func (m *model) corrected(c Correction, i int) {
	switch c.Change {
	case record.CorrectExclude, record.CorrectInclude:
		m.excluded[i] = c.Change == record.CorrectExclude
	case record.CorrectAmend:
		m.tray[i] = c.After
	case record.CorrectReread:
		m.reread[i] = c.Layout == "sha256:a"
	}
}

// mean is that of the weighings that are used, in milligrams; 0: there is none.
func (m *model) mean() int {
	sum, n := 0, 0
	for i, mg := range []int{10_000, 11_000, 14_000} {
		if m.reread[i] {
			mg = 9_000
		}
		if !m.excluded[i] {
			sum, n = sum+mg, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return int(math.RoundToEven(float64(sum) / float64(n)))
}

// grave says whether by a correction something goes away that was outside its limit, 12 g: the third weighing, or the mean.
func (m *model) grave(c Correction, i int) bool {
	after := *m
	after.corrected(c, i)
	switch {
	case c.Change == record.CorrectInclude:
		return false
	case i == 2 && c.Change == record.CorrectExclude, i == 2 && c.Change == record.CorrectReread && after.reread[2] && !m.excluded[2]:
		return true
	}
	return m.mean() > 12_000 && m.mean() != after.mean()
}

// found holds the result of a run, as it stands, against one that was worked out here.
func (m *model) found(t testing.TB, h *house) {
	t.Helper()
	v, err := h.Of(context.Background(), m.run.id)
	h.must(err)
	want := ""
	if mg := m.mean(); mg != 0 {
		want = fmt.Sprintf("%d.%03d g", mg/1000, mg%1000)
	}
	if len(v.Results) != 1 || strings.TrimSpace(v.Results[0].Digits+" "+v.Results[0].Unit) != want {
		t.Errorf("the mean is %+v, want %q", v.Results, want)
	}
	for i, w := range m.run.weighings {
		if got := slices.ContainsFunc(v.Excluded, func(ref record.EntryRef) bool { return ref.ID == w.ID }); got != m.excluded[i] {
			t.Errorf("weighing %d is excluded: %t", i+1, got)
		}
	}
}

// snapshotOf gives what a room would write down, and up to which entry.
func snapshotOf(t *testing.T, r *Room) ([]byte, uint64) {
	t.Helper()
	r.view.Lock()
	defer r.view.Unlock()
	text, err := json.Marshal(r.give())
	if err != nil {
		t.Fatal(err)
	}
	return text, r.view.Seq()
}

// rebuilt makes anew what is known, from all entries, and from a snapshot and what came after it.
func (w *walk) rebuilt(kept []byte, at uint64) {
	w.t.Helper()
	w.must(w.Reached(context.Background(), w.journal.Head()))
	all, err := w.journal.Read(context.Background(), 0, 1_000_000)
	w.must(err)
	var s snapshot
	w.must(json.Unmarshal(kept, &s))
	for from, begin := range map[uint64]func(*Room){0: func(*Room) {}, at: func(r *Room) { r.take(&s) }} {
		anew := New(w.options())
		begin(anew)
		for _, e := range all[from:] {
			w.must(anew.reduce(e))
		}
		w.view.Lock()
		for id, u := range w.house.runs {
			if !reflect.DeepEqual(u, anew.runs[id]) {
				w.t.Errorf("from entry %d on the run %s is\n%+v, and was\n%+v", from, id, anew.runs[id], u)
			}
		}
		w.view.Unlock()
	}
}
