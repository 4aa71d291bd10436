package dropped

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// lab carries requests out, and is the journal of it.
type lab struct {
	mu      sync.Mutex
	entries []Found
	done    []string // "b-1 LOT-1", in their order
	asked   []string // balances of all requests, also of those that were refused
	by      []record.Actor
	ask     bool
	unknown func(n int) (carriedOut, lost bool) // of the n-th act: whether it was, and whether nobody is told
}

func (l *lab) act(mark, what string) error {
	n := len(l.done)
	carried, lost := true, false
	if l.unknown != nil {
		carried, lost = l.unknown(n)
	}
	if carried {
		l.done = append(l.done, what)
		l.entries = append(l.entries, Found{Mark: mark, ID: fmt.Sprintf("e-%d", n), Cause: "set"})
	}
	if lost {
		return context.DeadlineExceeded
	}
	return nil
}

func (l *lab) SetContext(_ context.Context, balance string, r record.ContextRequest) (record.ContextView, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.asked = append(l.asked, balance)
	if balance != "b-1" && balance != "b-2" {
		return record.ContextView{}, record.ErrNoBalance
	}
	id := ""
	if r.Sample != nil {
		id = r.Sample.ID
	}
	if id == "BAD" {
		l.entries = append(l.entries, Found{Mark: r.Actor.Request, Cause: "refused", Why: "The sample was refused."})
		return record.ContextView{}, &record.ContextRefused{Why: "The sample was refused."}
	}
	if l.ask && !r.Confirm {
		return record.ContextView{}, &record.ContextRefused{Why: "The sample was not taken yet.", Ask: true}
	}
	l.by = append(l.by, *r.Actor)
	if err := l.act(r.Actor.Request, balance+" "+id); err != nil {
		return record.ContextView{}, err
	}
	return record.ContextView{Items: []record.ContextHeld{{Name: "sample", ID: id, By: r.By}}}, nil
}

func (l *lab) AnnounceSamples(_ context.Context, list []record.Sample, _ string, by record.Actor) (t record.SamplesTaken, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(list) == 0 {
		return t, &record.SampleRefused{Why: "No sample is named."}
	}
	for _, s := range list {
		before := len(l.entries)
		err := l.act(by.Request, s.ID)
		if len(l.entries) > before {
			e := &l.entries[before]
			e.Cause, e.Sample, e.Change = "", s.ID, record.SampleNew
		}
		if err != nil {
			return record.SamplesTaken{}, err
		}
		t.New++
	}
	return t, nil
}

func (l *lab) found(_ context.Context, key string) (list []Found, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, f := range l.entries {
		if record.MarkKey(f.Mark) == key {
			list = append(list, f)
		}
	}
	return list, nil
}

// bench is a room over a folder, whose rounds the test makes.
type bench struct {
	*Room
	t     *testing.T
	lab   *lab
	cfg   Config
	board *health.Board
}

func newBench(t *testing.T, dir string, l *lab) *bench {
	b := &bench{t: t, lab: l, cfg: Config{Folder: dir}.WithDefaults(), board: health.New(time.Now)}
	b.Room = New(Options{Gateway: l, Found: l.found, Ready: func() bool { return true }, Config: func() Config { return b.cfg },
		Stamp: func() record.Stamp { return record.Stamp{UTC: record.UTC(time.Now())} }, Board: b.board, Log: slog.New(slog.DiscardHandler)})
	return b
}

// rounds makes rounds until all that is ready is taken: two looks at the least.
func (b *bench) rounds(n int) (err error) {
	for range n {
		for more := true; more; {
			more, err = b.round(b.t.Context(), b.cfg)
			b.tell(b.t.Context(), b.cfg, err)
		}
	}
	return err
}

func (b *bench) must(n int) {
	b.t.Helper()
	if err := b.rounds(n); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) path(name string) string { return filepath.Join(b.cfg.Folder, name) }

func (b *bench) put(name, text string) {
	b.t.Helper()
	part := b.path(".part")
	if err := errors.Join(os.WriteFile(part, []byte(text), 0o640), os.Rename(part, b.path(name))); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) answer(name string) (a Answer) {
	b.t.Helper()
	text, err := os.ReadFile(b.path(name))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := json.Unmarshal(text, &a); err != nil {
		b.t.Fatalf("%v in %s", err, text)
	}
	return a
}

// files lists a folder.
func (b *bench) files(dir string) (names []string) {
	b.t.Helper()
	list, err := os.ReadDir(b.path(dir))
	if err != nil {
		b.t.Fatal(err)
	}
	for _, e := range list {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return names
}

func (b *bench) did(want ...string) {
	b.t.Helper()
	if !slices.Equal(b.lab.done, want) {
		b.t.Errorf("carried out %q, want %q", b.lab.done, want)
	}
}

func TestEachRequestIsCarriedOutAndAnswered(t *testing.T) {
	b := newBench(t, t.TempDir(), &lab{})
	b.put("b.json", `[{"balance": "b-2", "sample": {"id": "LOT-2"}, "request": "42"}, {"balance": "b-9", "sample": {"id": "LOT-3"}},
		{"sample": {"id": "LOT-4"}}, {"balance": "b-1", "smaple": 1}, {"balance": "b-1", "sample": {"id": "BAD"}}]`)
	b.put("a.json", `{"balance": "b-1", "sample": {"id": "LOT-1"}}`)
	b.put("s.samples.csv", "\ufeffid,lot,box,expires\r\nLOT-7,\"L,1\",B7,\r\nLOT-8,,,2027-01-31\r\n")
	b.put("t.samples.json", `{"samples": [{"id": "LOT-9"}]}`)
	b.put("broken.json", `{"balance": "b-1", "sample"`)
	b.put("notes.txt", "x")
	b.put("x.json.part", "x")
	b.put("y.json.tmp", "x")
	b.put(".z.json", "x")
	b.must(1)
	b.did() // one look is not enough
	b.must(1)
	b.did("b-1 LOT-1", "b-2 LOT-2", "LOT-7", "LOT-8", "LOT-9")
	if got := b.files("."); !slices.Equal(got, []string{".z.json", "notes.txt", "x.json.part", "y.json.tmp"}) {
		t.Errorf("left: %q", got)
	}
	if got := b.files("working"); len(got) != 0 {
		t.Errorf("in working: %q", got)
	}
	if got := b.files("taken"); !slices.Equal(got, []string{"a.answer.json", "a.json", "b.answer.json", "b.json", "s.samples.answer.json", "s.samples.csv",
		"t.samples.answer.json", "t.samples.json"}) {
		t.Errorf("taken: %q", got)
	}
	if got := b.files("refused"); !slices.Equal(got, []string{"broken.answer.json", "broken.json"}) {
		t.Errorf("refused: %q", got)
	}
	a := b.answer("taken/b.answer.json")
	if a.Done != 1 || a.Refused != 4 || len(a.Requests) != 5 || !a.Requests[0].OK || a.Requests[0].Request != "42" || a.Requests[0].Held[0].ID != "LOT-2" {
		t.Errorf("%+v", a)
	}
	for i, want := range []string{"", "There is no balance of that id.", "Balance is missing: name the one that the request is for.", `"smaple" is unknown`, "The sample was refused."} {
		if o := a.Requests[i]; !strings.Contains(o.Why, want) || (want == "") != o.OK {
			t.Errorf("request %d: %+v", i+1, o)
		}
	}
	if a := b.answer("taken/s.samples.answer.json"); a.Samples == nil || a.Samples.New != 2 {
		t.Errorf("%+v", a)
	}
	if a := b.answer("refused/broken.answer.json"); !strings.Contains(a.Why, "Byte ") || a.Refused != 1 {
		t.Errorf("%+v", a)
	}
	if by := b.lab.by[0]; by.By != record.ActorFile || by.ID != filepath.Base(b.cfg.Folder) || by.Where != "a.json" {
		t.Errorf("%+v", by)
	}
}

func TestWhatIsStillWrittenIsLeftAlone(t *testing.T) {
	b := newBench(t, t.TempDir(), &lab{})
	text := `{"balance": "b-1", "sample": {"id": "LOT-1"}}`
	for n := range text {
		if err := os.WriteFile(b.path("slow.json"), []byte(text[:n+1]), 0o640); err != nil {
			t.Fatal(err)
		}
		b.must(1)
	}
	b.did()
	other := strings.Replace(text, "LOT-1", "LOT-2", 1) // as long, at another time
	at := time.Now().Add(-time.Minute)
	if err := errors.Join(os.WriteFile(b.path("slow.json"), []byte(other), 0o640), os.Chtimes(b.path("slow.json"), at, at)); err != nil {
		t.Fatal(err)
	}
	b.must(1)
	if got := b.files("refused"); len(got) != 0 {
		t.Errorf("taken before it was whole: %q", got)
	}
	b.did()
	b.must(1)
	b.did("b-1 LOT-2")
}

func TestNothingIsEverReplaced(t *testing.T) {
	b := newBench(t, t.TempDir(), &lab{})
	var want []string
	for n := range 12 { // the same bytes again are asked for again
		b.put("a.json", `{"balance": "b-1", "sample": {"id": "LOT-1"}}`)
		b.must(2)
		want = append(want, "b-1 LOT-1")
		name := "taken/a.answer.json"
		if n > 0 {
			name = fmt.Sprintf("taken/a.%d.answer.json", n+1)
		}
		if a := b.answer(name); a.Done != 1 {
			t.Errorf("%s: %+v", name, a)
		}
	}
	b.did(want...)
	if got := b.files("taken"); len(got) != 24 {
		t.Errorf("%q", got)
	}
}

// TestThePolicyAsks: what is asked about is refused, in its own answer, and a file that confirms goes through.
func TestThePolicyAsks(t *testing.T) {
	b := newBench(t, t.TempDir(), &lab{ask: true})
	b.put("a.json", `{"balance": "b-1", "sample": {"id": "LOT-1"}}`)
	b.put("b.json", `{"balance": "b-1", "sample": {"id": "LOT-1"}, "confirm": true}`)
	b.must(2)
	b.did("b-1 LOT-1")
	if a := b.answer("refused/a.answer.json"); !a.Requests[0].Ask || a.Requests[0].OK {
		t.Errorf("%+v", a)
	}
	if a := b.answer("taken/b.answer.json"); !a.Requests[0].OK {
		t.Errorf("%+v", a)
	}
}

func TestARequestThatComesTooLate(t *testing.T) {
	b := newBench(t, t.TempDir(), &lab{})
	old := time.Now().Add(-31 * time.Minute)
	for name, text := range map[string]string{"old.json": `{"balance": "b-1", "sample": {"id": "LOT-1"}}`, "old.samples.csv": "id\nLOT-2\n",
		"said.json": `{"balance": "b-1", "sample": {"id": "LOT-3"}, "sent": "2026-11-25T10:04:05Z", "valid_s": 86400}`} {
		b.put(name, text)
		if err := os.Chtimes(b.path(name), old, old); err != nil {
			t.Fatal(err)
		}
	}
	b.must(2)
	b.did("LOT-2", "b-1 LOT-3") // what says itself how long it holds is judged where it is carried out
	if a := b.answer("refused/old.answer.json"); !strings.Contains(a.Requests[0].Why, "came too late") {
		t.Errorf("%+v", a)
	}
}

// killed makes rounds with rooms that forget everything, until nothing is left in working.
func (b *bench) killed() {
	b.t.Helper()
	for range 200 {
		next := newBench(b.t, b.cfg.Folder, b.lab)
		_ = next.rounds(1)
		if len(b.files("working")) == 0 && len(b.files(".")) == 0 {
			return
		}
		_ = next.rounds(1)
	}
	b.t.Fatalf("never done: %q", b.files("working"))
}

// TestEachRequestOnce: at each act, a file's room is gone before it knows that the act was carried out, or before it was.
func TestEachRequestOnce(t *testing.T) {
	for _, carried := range []bool{true, false} {
		calls := 0
		l := &lab{}
		l.unknown = func(int) (bool, bool) {
			calls++
			if calls%2 == 1 {
				return carried, true
			}
			return true, false
		}
		b := newBench(t, t.TempDir(), l)
		text, csv, want := "", "id\n", []string{}
		for n := range 20 {
			text += fmt.Sprintf(`, {"balance": "b-%d", "sample": {"id": "LOT-%d"}}`, n%2+1, n)
			want = append(want, fmt.Sprintf("b-%d LOT-%d", n%2+1, n))
			csv += fmt.Sprintf("LOT-%d\n", n)
		}
		for n := range 20 {
			want = append(want, fmt.Sprintf("LOT-%d", n))
		}
		b.put("a.json", "["+text[1:]+"]")
		b.put("b.samples.csv", csv)
		b.killed()
		b.did(want...)
		if a := b.answer("taken/a.answer.json"); a.Done != 20 {
			t.Errorf("%+v", a)
		}
		if a := b.answer("taken/b.samples.answer.json"); a.Samples.New != 20 {
			t.Errorf("%+v", a)
		}
	}
}

// TestWhatWasDecidedIsNotDecidedAnew: a request that was refused without an entry is not carried out after the one that followed it.
func TestWhatWasDecidedIsNotDecidedAnew(t *testing.T) {
	l := &lab{ask: true}
	b := newBench(t, t.TempDir(), l)
	b.put("a.json", `[{"balance": "b-1", "sample": {"id": "LOT-1"}}, {"balance": "b-1", "sample": {"id": "LOT-2"}, "confirm": true}]`)
	l.unknown = func(int) (bool, bool) { return true, true }
	_ = b.rounds(2)
	l.ask, l.unknown = false, nil
	next := newBench(t, b.cfg.Folder, l)
	next.must(1)
	b.did("b-1 LOT-2")
	a := b.answer("taken/a.answer.json")
	if a.Requests[0].OK || !strings.Contains(a.Requests[0].Why, "before weighpost was interrupted") || !a.Requests[1].OK || a.Requests[1].Entry == "" {
		t.Errorf("%+v", a)
	}
}

// TestAFileThatChangesInWorking: once a part was carried out, nothing of another content is.
func TestAFileThatChangesInWorking(t *testing.T) {
	l := &lab{unknown: func(n int) (bool, bool) { return true, n == 1 }}
	b := newBench(t, t.TempDir(), l)
	text := `[{"balance": "b-1", "sample": {"id": "LOT-1"}}, {"balance": "b-1", "sample": {"id": "LOT-2"}}, {"balance": "b-2", "sample": {"id": "LOT-3"}}]`
	b.put("a.json", text)
	_ = b.rounds(2)
	w := b.files("working")
	if len(w) != 1 {
		t.Fatal(w)
	}
	if err := os.WriteFile(b.path("working/"+w[0]), []byte(text+"\n"), 0o640); err != nil {
		t.Fatal(err)
	}
	l.unknown = nil
	newBench(t, b.cfg.Folder, l).must(1)
	b.did("b-1 LOT-1", "b-1 LOT-2")
	if a := b.answer("refused/a.answer.json"); !strings.Contains(a.Requests[2].Why, "was changed") {
		t.Errorf("%+v", a)
	}
}

// TestEveryStepOfPuttingAway: cut off between any two steps, it ends the same, and nothing is carried out again.
func TestEveryStepOfPuttingAway(t *testing.T) {
	const id = "0123456789abcdef0123456789abcdef"
	answer := `{"file": "a.json", "at": "2026-11-29T10:00:00.000000Z", "kept_as": "taken/a.json", "done": 1, "refused": 0}`
	file := "working/" + id + "--a.json"
	for name, there := range map[string]map[string]string{
		"answered":        {file: "x", "working/" + id + ".answer.json": answer},
		"linked":          {file: "x", "taken/a.json": "=", "working/" + id + ".answer.json": answer},
		"put away":        {"taken/a.json": "x", "working/" + id + ".answer.json": answer},
		"answer half":     {"taken/a.json": "x", "working/" + id + ".answer.json": answer, "working/" + id + ".answer.part": "{"},
		"name taken":      {file: "x", "taken/a.json": "other", "working/" + id + ".answer.json": answer},
		"answer's taken":  {"taken/a.json": "x", "taken/a.answer.json": "other", "working/" + id + ".answer.json": answer},
		"leads elsewhere": {"working/" + id + ".answer.json": strings.Replace(answer, "taken/a", "../../a", 1)},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, t.TempDir(), &lab{})
			b.must(1)
			for at, text := range there {
				if text != "=" {
					if err := os.WriteFile(b.path(at), []byte(text), 0o640); err != nil {
						t.Fatal(err)
					}
				}
			}
			if there["taken/a.json"] == "=" {
				if err := os.Link(b.path(file), b.path("taken/a.json")); err != nil {
					t.Fatal(err)
				}
			}
			b.must(3)
			b.did()
			for at, text := range there {
				if text == "other" {
					if got, err := os.ReadFile(b.path(at)); err != nil || string(got) != "other" {
						t.Errorf("%s was replaced: %s %v", at, got, err)
					}
				}
			}
			if name == "leads elsewhere" {
				return
			}
			if left := slices.DeleteFunc(b.files("working"), func(n string) bool { return strings.HasSuffix(n, ".part") }); len(left) != 0 {
				t.Errorf("left in working: %q", left)
			}
			whole := 0
			for _, n := range b.files("taken") {
				if got, err := os.ReadFile(b.path("taken/" + n)); err == nil && (string(got) == "x" || strings.Contains(string(got), `"kept_as"`)) {
					whole++
				}
			}
			if whole != 2 {
				t.Errorf("file and answer are not both there: %q", b.files("taken"))
			}
		})
	}
}

// TestManyFiles: bounded work a round, in the order of their names, and none is left.
func TestManyFiles(t *testing.T) {
	files := 450
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		files = 10_000
	}
	b := newBench(t, t.TempDir(), &lab{})
	b.must(1)
	var want []string
	for n := range files {
		if err := os.WriteFile(b.path(fmt.Sprintf("r-%05d.json", n)), fmt.Appendf(nil, `{"balance": "b-1", "sample": {"id": "LOT-%d"}}`, n), 0o640); err != nil {
			t.Fatal(err)
		}
		want = append(want, fmt.Sprintf("b-1 LOT-%d", n))
	}
	b.must(1)
	more, err := b.round(t.Context(), b.cfg)
	if err != nil || !more || len(b.lab.done) != perRound {
		t.Fatalf("%d files in one round, more: %v, %v", len(b.lab.done), more, err)
	}
	b.put("a-comes-later.json", `{"balance": "b-2", "sample": {"id": "LATE"}}`)
	b.must(3)
	b.did(append(want, "b-2 LATE")...) // what sorts first and always comes anew starves nobody
}

func TestRunFollowsTheConfiguration(t *testing.T) {
	one, two := t.TempDir(), t.TempDir()
	b := newBench(t, one, &lab{})
	var mu sync.Mutex
	cfg := Config{Folder: one, Every: strict.Duration(10 * time.Millisecond)}
	b.o.Config = func() Config { mu.Lock(); defer mu.Unlock(); return cfg }
	use := func(c Config) { mu.Lock(); defer mu.Unlock(); cfg = c }
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { b.Run(ctx) })
	defer running.Wait()
	defer stop()
	done := func(n int) bool { b.lab.mu.Lock(); defer b.lab.mu.Unlock(); return len(b.lab.done) == n }
	comes := func(f func() bool, what string) {
		t.Helper()
		for limit := time.Now().Add(20 * time.Second); !f(); time.Sleep(5 * time.Millisecond) {
			if time.Now().After(limit) {
				t.Fatal(what)
			}
		}
	}
	request := `{"balance": "b-1", "sample": {"id": "LOT-1"}}`
	b.put("a.json", request)
	comes(func() bool { return done(1) }, "it is not taken")
	use(Config{Folder: two, Every: strict.Duration(10 * time.Millisecond)})
	if err := os.WriteFile(filepath.Join(two, "b.json"), []byte(request), 0o640); err != nil {
		t.Fatal(err)
	}
	comes(func() bool { return done(2) }, "the other folder is not looked into")
	raised := func() bool {
		return slices.ContainsFunc(b.board.List(), func(c health.Condition) bool { return c.Code == health.RequestsFolder })
	}
	use(Config{Folder: filepath.Join(two, "none"), Every: strict.Duration(10 * time.Millisecond)})
	comes(raised, "a folder that is not there is no condition")
	if err := os.Mkdir(filepath.Join(two, "none"), 0o750); err != nil {
		t.Fatal(err)
	}
	comes(func() bool { return !raised() }, "the condition stays")
	use(Config{Folder: filepath.Join(two, "gone"), Every: strict.Duration(10 * time.Millisecond)})
	comes(raised, "a folder that is not there is no condition")
	use(Config{})
	comes(func() bool { return !raised() }, "the condition stays though no folder is asked for")
}
