package runs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/journal/memory"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// shelf is a room over a journal in memory, with a clock that goes one second further at each look.
type shelf struct {
	*Room
	j     *memory.Journal
	dir   string
	ticks *atomic.Int64
	end   func()
}

var shelfBegins = time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)

// bare is a lab in which there are no balances.
type bare struct{}

func (bare) Ready() bool                          { return true }
func (bare) Facts(string) (procedure.Facts, bool) { return procedure.Facts{}, false }

func newShelf(t *testing.T) *shelf {
	t.Helper()
	s := &shelf{j: memory.New("seed-bank"), dir: t.TempDir(), ticks: new(atomic.Int64)}
	s.open(t)
	return s
}

// open begins to follow the journal, anew where it was followed before.
func (s *shelf) open(t *testing.T) {
	t.Helper()
	stamp := func() record.Stamp {
		return record.Stamp{UTC: record.UTC(shelfBegins.Add(time.Duration(s.ticks.Add(1)) * time.Second))}
	}
	s.Room = New(Options{Dir: s.dir, Journal: s.j, Incarnation: "aaaaa", Stamp: stamp, Config: Default, Lab: bare{}})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { s.Run(ctx); close(done) }()
	s.end = func() { cancel(); <-done }
	t.Cleanup(s.end)
	if err := s.view.Reached(t.Context(), s.j.Head()); err != nil {
		t.Fatal(err)
	}
}

// append writes entries past the room, as a run does, and waits until they are known.
func (s *shelf) append(t *testing.T, bodies ...record.Body) []record.Entry {
	t.Helper()
	entries, err := s.view.Append(t.Context(), bodies...)
	if err != nil {
		t.Fatal(err)
	}
	return entries
}

func somebody(id string) record.Actor {
	return record.Actor{ID: id, Name: "Person " + id, By: record.ActorPassword}
}

func crucible(id string) record.Container { return record.Container{ID: id, Sort: "crucible"} }

// said is the sentence of an error that has to be one for whoever asked.
func said(t *testing.T, err error) string {
	t.Helper()
	var refused *record.NotDone
	if !errors.As(err, &refused) {
		t.Fatalf("%v is no sentence for whoever asked", err)
	}
	return refused.Why
}

// TestFortyCruciblesAreRegisteredAtOnce, all or none; and the same list again leaves no entry.
func TestFortyCruciblesAreRegisteredAtOnce(t *testing.T) {
	s := newShelf(t)
	var forty []record.Container
	for i := range 40 {
		forty = append(forty, crucible(fmt.Sprintf("cr-%02d", i+1)))
	}
	for range 2 {
		list, err := s.RegisterContainers(t.Context(), forty, "", somebody("ada"))
		if err != nil || len(list) != 40 || list[39].ID != "cr-40" || list[39].By.ID != "ada" {
			t.Fatalf("%v %v", list, err)
		}
		if s.j.Head() != 40 {
			t.Fatalf("%d entries", s.j.Head())
		}
	}
	bad := append(slices.Clone(forty[:2]), crucible("cr-99"), crucible("cr\u202e"))
	if _, err := s.RegisterContainers(t.Context(), bad, "", somebody("ada")); !strings.Contains(said(t, err), "the id of container 4 of the list") {
		t.Error(err)
	}
	if _, known := s.Container("cr-99"); known || s.j.Head() != 40 {
		t.Error("a part of a list was taken")
	}
	one := crucible("cr-01")
	one.Lot = "2026-11"
	if _, err := s.RegisterContainers(t.Context(), []record.Container{one}, "", somebody("ada")); !strings.Contains(said(t, err), "say why they change") {
		t.Error(err)
	}
	if list, err := s.RegisterContainers(t.Context(), []record.Container{one}, "its lot was left out", somebody("ada")); err != nil || list[0].Lot != "2026-11" {
		t.Error(list, err)
	}
}

// TestAWithdrawnContainerStaysSo: its id is never given to another, and lists leave it out unless it is asked for.
func TestAWithdrawnContainerStaysSo(t *testing.T) {
	s := newShelf(t)
	if _, err := s.RegisterContainers(t.Context(), []record.Container{crucible("cr-1"), crucible("cr-2"), {ID: "f-1", Sort: "filter"}}, "", somebody("ada")); err != nil {
		t.Fatal(err)
	}
	if _, err := s.WithdrawContainer(t.Context(), "cr-1", " ", somebody("ada")); !strings.Contains(said(t, err), "reason is missing") {
		t.Error(err)
	}
	k, err := s.WithdrawContainer(t.Context(), "cr-1", "cracked", somebody("ada"))
	if err != nil || k.Unfit != "The container cr-1 was withdrawn." {
		t.Error(k, err)
	}
	for want, err := range map[string]error{
		"withdrawn already": func() error {
			_, err := s.WithdrawContainer(t.Context(), "cr-1", "cracked", somebody("ada"))
			return err
		}(),
		"its id is never given to another": func() error {
			_, err := s.RegisterContainers(t.Context(), []record.Container{crucible("cr-1")}, "found", somebody("ada"))
			return err
		}(),
	} {
		if !strings.Contains(said(t, err), want) {
			t.Error(want, err)
		}
	}
	if _, err := s.WithdrawContainer(t.Context(), "cr-9", "cracked", somebody("ada")); !errors.Is(err, record.ErrNoContainer) {
		t.Error(err)
	}
	ids := func(q ContainersAsked) (all string) {
		for _, c := range s.Containers(q) {
			all += c.ID + " "
		}
		return all
	}
	for want, q := range map[string]ContainersAsked{"cr-2 f-1 ": {}, "cr-1 cr-2 f-1 ": {Withdrawn: true}, "cr-2 ": {Sort: "crucible"}, "f-1 ": {Begin: "f", Limit: 3}, "cr-1 ": {Withdrawn: true, Limit: 1}, "": {After: "f-1"}} {
		if got := ids(q); got != want {
			t.Errorf("%+v: %q, not %q", q, got, want)
		}
	}
}

// TestAContainerExpires at its instant, and not before.
func TestAContainerExpires(t *testing.T) {
	now := record.UTC(shelfBegins)
	c := crucible("cr-1")
	for apart, want := range map[time.Duration]string{-time.Microsecond: "", 0: "The container cr-1 expired at 2026-11-30T08:00:00.000000Z.", time.Hour: "The container cr-1 expired at"} {
		at := record.UTC(shelfBegins.Add(-apart))
		c.Expires = &at
		if got := unfit(&c, "", now); (got == "") != (want == "") || !strings.HasPrefix(got, want) {
			t.Errorf("%v: %q", apart, got)
		}
	}
}

// TestHostileContainersAreRefused: texts that cannot be seen, are too long or too many, each with a sentence and without an entry.
func TestHostileContainersAreRefused(t *testing.T) {
	s := newShelf(t)
	many := make([]record.Container, MostAtOnce+1)
	for i := range many {
		many[i] = crucible(fmt.Sprint("x", i))
	}
	fields := map[string]string{}
	for i := range 40 {
		fields[fmt.Sprint("f", i)] = "x"
	}
	long := strings.Repeat("x", 129)
	for want, list := range map[string][]record.Container{
		"1 to 500 are registered at once":  many,
		"0 containers are named":           nil,
		"is empty":                         {crucible("")},
		"U+202E":                           {crucible("a\u202eb")},
		"U+0000":                           {crucible("a\x00b")},
		"U+000A":                           {crucible("a\nb")},
		"not UTF-8":                        {crucible("a\xff")},
		"has 129 characters":               {crucible(long)},
		"needs its sort":                   {{ID: "a"}},
		"needs its sort, such as crucible": {{ID: "a", Sort: "cru\u200bcible"}},
		"the lot of the container a holds": {{ID: "a", Sort: "vial", Lot: "\x1b[2J"}},
		"it has 40 fields":                 {{ID: "a", Sort: "vial", Fields: fields}},
		"the field \"b\" cannot be taken":  {{ID: "a", Sort: "vial", Fields: map[string]string{"b": "\u2028"}}},
		"is in the list twice":             {crucible("a"), crucible("a")},
		"as withdrawn":                     {{ID: "a", Sort: "vial", Withdrawn: true}},
	} {
		if _, err := s.RegisterContainers(t.Context(), list, "", somebody("ada")); !strings.Contains(said(t, err), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	if _, err := s.RegisterContainers(t.Context(), []record.Container{crucible("a")}, strings.Repeat("x", 501), somebody("ada")); !strings.Contains(said(t, err), "at most 500") {
		t.Error(err)
	}
	if s.j.Head() != 0 {
		t.Errorf("%d entries", s.j.Head())
	}
	markup := `<script>alert(1)</script>{{.}}'"`
	if list, err := s.RegisterContainers(t.Context(), []record.Container{{ID: markup, Sort: markup}}, "", somebody("ada")); err != nil || list[0].ID != markup {
		t.Error("what can be seen is taken as it is:", err)
	}
}

// TestTheRegisterIsBounded: in number, and in what is known of each.
func TestTheRegisterIsBounded(t *testing.T) {
	s := newShelf(t)
	s.view.Lock()
	for i := range MostContainers - 1 {
		id := fmt.Sprint("x", i)
		s.containers.All[id] = &container{Container: crucible(id)}
	}
	s.view.Unlock()
	if _, err := s.RegisterContainers(t.Context(), []record.Container{crucible("a"), crucible("b")}, "", somebody("ada")); !strings.Contains(said(t, err), "holds 20000 containers") {
		t.Error(err)
	}
	if _, err := s.RegisterContainers(t.Context(), []record.Container{crucible("a")}, "", somebody("ada")); err != nil {
		t.Error(err)
	}
	for i := range 70 {
		step := emptyStep(i, "a", fmt.Sprint("r-", i), record.StepTaken)
		s.view.Lock()
		s.containerUsed(step)
		s.view.Unlock()
	}
	k, _ := s.Container("a")
	if len(k.Empties) != 20 || len(k.Uses) != 50 || k.Empties[0].Run != "r-69" || k.Uses[0].Run != "r-69" || k.Empties[19].Run != "r-50" || k.Uses[49].Run != "r-20" {
		t.Errorf("%d %d %+v", len(k.Empties), len(k.Uses), k.Empties)
	}
}

// emptyStep is a step in which an empty container was weighed, or which takes that back.
func emptyStep(n int, id, run, became string) *record.RunStep {
	return &record.RunStep{Run: record.RunRef{ID: run}, Balance: &record.Balance{ID: "b-12"}, Step: "tare", Does: procedure.Empty, Pass: 1, Attempt: n, Became: became,
		Item: &record.RunItem{Container: id, Sample: "LOT-1"}, Weighing: &record.EntryRef{Seq: uint64(n), ID: fmt.Sprint("w-", n)},
		Value: &record.RunValue{Digits: fmt.Sprintf("21.%04d", n), Unit: "g", How: "weighed"}, Stamp: record.Stamp{UTC: record.UTC(shelfBegins)}}
}

// known of the whole register and of all slips, as a text that can be compared.
func (s *shelf) all(t *testing.T) string {
	t.Helper()
	list := s.Containers(ContainersAsked{Withdrawn: true})
	b, err := json.Marshal(struct {
		C []KnownContainer
		S []KnownSlip
	}{list, s.Slips(SlipsAsked{})})
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestWhatIsKnownOfContainersIsWhatTheJournalSays: after whatever was done, what is known is what a plain reading of the entries gives, and what
// a start gives that reads what was written down, and one that reads the journal alone.
func TestWhatIsKnownOfContainersIsWhatTheJournalSays(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	s := newShelf(t)
	id := func() string { return fmt.Sprint("cr-", r.IntN(8)) }
	attempts := map[string]int{}
	for range 300 {
		switch r.IntN(7) {
		case 6:
			s.append(t, &record.RunCorrected{Run: record.RunRef{ID: fmt.Sprint("r-", r.IntN(4))}, Of: record.EntryRef{ID: fmt.Sprint("w-", 1+r.IntN(15))},
				Change: []string{record.CorrectExclude, record.CorrectExclude, record.CorrectInclude, record.CorrectReread}[r.IntN(4)],
				Value:  &record.Value{Digits: fmt.Sprintf("20.%04d", r.IntN(10000)), Unit: "g"}})
		case 0:
			_, _ = s.RegisterContainers(t.Context(), []record.Container{{ID: id(), Sort: "crucible", Lot: fmt.Sprint("l", r.IntN(3))}}, []string{"", "a reason"}[r.IntN(2)], somebody("ada"))
		case 1:
			if r.IntN(6) == 0 {
				_, _ = s.WithdrawContainer(t.Context(), id(), "cracked", somebody("ben"))
			}
		case 2, 3:
			c := id()
			if attempts[c] < 15 {
				attempts[c]++
				s.append(t, emptyStep(attempts[c], c, fmt.Sprint("r-", r.IntN(4)), record.StepTaken))
			}
		case 4:
			c := id()
			s.append(t, emptyStep(1+r.IntN(15), c, fmt.Sprint("r-", r.IntN(4)), record.StepReplaced))
		case 5:
			e := emptyStep(1, id(), fmt.Sprint("r-", r.IntN(4)), []string{record.StepStopped, record.StepUnused, record.StepTaken}[r.IntN(3)])
			e.Does, e.Value, e.Weighing = procedure.Identify, nil, nil
			s.append(t, e)
		}
	}
	before := s.all(t)
	want := readPlainly(t, s.j)
	for _, k := range s.Containers(ContainersAsked{Withdrawn: true}) {
		w := want[k.ID]
		if w == nil || !reflect.DeepEqual(w.is, k.Container) || !slices.Equal(w.empties, digitsOf(k.Empties)) || !slices.Equal(w.uses, runsOf(k.Uses)) {
			t.Errorf("%s: %+v, and the journal says %+v", k.ID, k, w)
		}
		delete(want, k.ID)
	}
	if len(want) > 0 {
		t.Errorf("%v are not known", want)
	}
	s.end()
	s.open(t) // from what was written down
	if after := s.all(t); after != before {
		t.Errorf("written down:\n%s\nnot\n%s", after, before)
	}
	s.end()
	s.dir = t.TempDir()
	s.open(t) // from the journal alone
	if after := s.all(t); after != before {
		t.Errorf("read again:\n%s\nnot\n%s", after, before)
	}
}

func digitsOf(list []Emptied) (all []string) {
	for _, e := range list {
		all = append(all, e.Digits+" "+e.Run)
	}
	return all
}

func runsOf(list []Use) (all []string) {
	for _, u := range list {
		all = append(all, u.Run)
	}
	return all
}

// plain is what a plain reading of the journal gives of one container.
type plain struct {
	is            record.Container
	empties, uses []string // newest first
}

// readPlainly goes through the journal once for each thing that is to be known, and keeps everything.
func readPlainly(t *testing.T, j *memory.Journal) map[string]*plain {
	t.Helper()
	entries, err := j.Read(t.Context(), 0, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	known, steps := map[string]*plain{}, map[string][]*record.RunStep{}
	corrected := map[string][]*record.RunCorrected{}
	for _, e := range entries {
		switch e.Kind {
		case record.KindRunCorrected:
			c := one[record.RunCorrected](t, e)
			corrected[c.Run.ID+c.Of.ID] = append(corrected[c.Run.ID+c.Of.ID], c)
		case record.KindContainerChanged:
			c := one[record.ContainerChanged](t, e)
			if known[c.Container.ID] == nil {
				known[c.Container.ID] = &plain{}
			}
			known[c.Container.ID].is = c.Container
		case record.KindRunStep:
			s := one[record.RunStep](t, e)
			if s.Item != nil && known[s.Item.Container] != nil {
				steps[s.Item.Container] = append(steps[s.Item.Container], s)
			}
		}
	}
	for id, list := range steps {
		for i, s := range list {
			taken := s.Became == record.StepTaken
			undone := slices.ContainsFunc(list[i:], func(o *record.RunStep) bool {
				return o.Became == record.StepReplaced && o.Run.ID == s.Run.ID && o.Attempt == s.Attempt
			})
			out := false
			for _, c := range corrected[s.Run.ID+weighingOf(s)] {
				switch {
				case c.Seq < s.Seq:
				case c.Change == record.CorrectReread:
					s.Value.Digits = c.Value.Digits
				default:
					out = c.Change == record.CorrectExclude
				}
			}
			if taken && s.Value != nil && !undone && !out {
				known[id].empties = slices.Insert(known[id].empties, 0, s.Value.Digits+" "+s.Run.ID)
			}
			if taken && !slices.Contains(known[id].uses, s.Run.ID) {
				known[id].uses = slices.Insert(known[id].uses, 0, s.Run.ID)
			}
		}
	}
	return known
}

func weighingOf(s *record.RunStep) string {
	if s.Weighing == nil {
		return "none"
	}
	return s.Weighing.ID
}

func one[T any](t *testing.T, e record.Entry) *T {
	t.Helper()
	v := new(T)
	if err := json.Unmarshal(e.JSON, v); err != nil {
		t.Fatal(err)
	}
	return v
}
