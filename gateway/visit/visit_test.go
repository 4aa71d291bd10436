package visit

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/console"
	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/setup"
	"weighpost/gateway/setup/setuptest"
	"weighpost/parsers/layout"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var ada = record.Actor{ID: "ada", Name: "Ada Quill", By: record.ActorPassword}

func as(actor record.Actor) context.Context {
	return rights.With(context.Background(), rights.Who{Known: true, Person: actor.ID, Actor: actor, Rights: rights.Of(rights.Balances)})
}

// lab is a host whose ports and configuration are the test's.
type lab struct {
	*Host
	t *testing.T

	mu      sync.Mutex
	written []setup.Addition
	by      record.Actor
	who     rights.Who
	reason  string
	refuse  []error // answers of Write, first ones first
	outcome string
}

func newLab(t *testing.T, open setup.Opener, ports ...string) *lab {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "weighpost.yaml")
	if err := os.WriteFile(path, []byte("site: seed-bank\njournal: {folder: journal}\nbalances: []\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	l := &lab{t: t, outcome: console.SettingsHold}
	l.Host = New(t.Context(), Deps{
		Open: func(ctx context.Context, c port.Config) (port.Port, error) { // what a configuration leaves out, as real ports have it
			if c.Speed == 0 {
				c.Speed = 9600
			}
			if c.DataBits == 0 {
				c.DataBits = 8
			}
			if c.Parity == "" {
				c.Parity = port.ParityNone
			}
			if c.StopBits == 0 {
				c.StopBits = 1
			}
			return open(ctx, c)
		},
		List: func(context.Context) (list []port.Found, err error) {
			for _, p := range ports {
				list = append(list, port.Found{Address: p, Device: p, Kind: port.KindUSB, Description: "adapter on USB"})
			}
			return list, nil
		},
		Config: func() string { return path },
		Taken: func() []Taken {
			return []Taken{{Address: "/dev/ttyS0", Balance: "b-1"}, {Address: "/dev/ttyS9", Balance: "b-1", Scanner: true}}
		},
		Check: func(context.Context, setup.Addition) error { return nil },
		Write: func(ctx context.Context, a setup.Addition, by record.Actor, reason string) (console.VisitResult, error) {
			l.mu.Lock()
			defer l.mu.Unlock()
			if len(l.refuse) > 0 {
				err := l.refuse[0]
				l.refuse = l.refuse[1:]
				return console.VisitResult{}, err
			}
			l.written, l.by, l.reason, l.who = append(l.written, a), by, reason, rights.From(ctx)
			return console.VisitResult{Outcome: l.outcome, Changes: []string{"balance " + a.Balance.ID + " was added"}, Notes: []string{}}, nil
		},
	})
	t.Cleanup(func() {
		limit, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := l.Stop(limit); err != nil {
			t.Error(err)
		}
		if len(l.ports) > 0 {
			t.Errorf("ports are held by nobody: %v", l.ports)
		}
	})
	return l
}

// walk answers what a visit asks, by the keys of its questions; of several answers each is given once, the last from then on. It
// returns when the visit asks for until, or ends.
func (l *lab) walk(id, until string, answers map[string]string) (console.Visit, []console.VisitEvent) {
	l.t.Helper()
	var all []console.VisitEvent
	limit, cancel := context.WithTimeout(l.t.Context(), 60*time.Second)
	defer cancel()
	after, done := uint64(0), uint64(0)
	for {
		list, err := l.FollowVisit(limit, id, after)
		if err != nil {
			l.t.Fatalf("%v, after %v", err, says(all))
		}
		all = append(all, list...)
		after = list[len(list)-1].N
		v, _ := l.Visit(id)
		if v.State != console.VisitAsking && v.State != console.VisitWorking {
			return v, all
		}
		q := v.Question
		if q == nil || q.Number == done {
			continue
		}
		if q.Key == until {
			return v, all
		}
		name, _, _ := strings.Cut(q.Key, ":")
		answer, ok := answers[name]
		if !ok {
			if q.Kind == kindWait || q.Kind == kindEnough {
				continue
			}
			l.t.Fatalf("asked %+v, after %v", q, says(all))
		}
		first, rest, more := strings.Cut(answer, "|")
		if more {
			answers[name] = rest
		}
		done = q.Number
		if _, err := l.AnswerVisit(as(ada), id, console.VisitAnswer{Question: q.Number, Answer: first, By: ada, Reason: "a new balance"}); err != nil {
			var refused *console.VisitRefused
			if v, _ := l.Visit(id); errors.As(err, &refused) && (v.Question == nil || v.Question.Number != q.Number) {
				continue // it went on by itself meanwhile
			}
			l.t.Fatalf("%q to %+v: %v", first, q, err)
		}
	}
}

func says(all []console.VisitEvent) (list []string) {
	for _, e := range all {
		if e.Said != nil {
			list = append(list, e.Said.Text)
		}
	}
	return list[max(0, len(list)-20):]
}

// seeds is a balance at 4800 7E1 that prints by itself.
func seeds() *setuptest.Balance {
	return &setuptest.Balance{Line: uart.Settings{Speed: 4800, DataBits: 7, Parity: "even", StopBits: 1}, Tells: true, Stream: 150 * time.Millisecond,
		Print: func(n int) string { return fmt.Sprintf("N %10.4f g  \r\n", 12.345+float64(n%40)*1.0007) }}
}

// usual answers everything up to the end.
func usual() map[string]string {
	return map[string]string{"port": "/dev/ttyS1", "settings": "listen", "take-settings": "", "take": "yes", "id": "b-12", "serial": "0047-112", "place": "Germination room", "capacity": "220 g",
		"readability": "", "record": "printed", "compare": "yes", "write": "yes", "display": "", "settled": "?", "word": "?", "unit": "?", "text": "?", "number": "?"}
}

// until waits for something that happens by itself.
func until(t *testing.T, f func() bool, otherwise string) {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal(otherwise)
		}
	}
}

// enough says that enough was printed, once some lines were.
func (l *lab) enough(id string) {
	l.t.Helper()
	until(l.t, func() bool {
		v, err := l.Visit(id)
		return err == nil && v.Question != nil && v.Question.Kind == kindEnough && len(v.Said) >= 10
	}, "no lines are heard")
	v, _ := l.Visit(id)
	if _, err := l.AnswerVisit(as(ada), id, console.VisitAnswer{Question: v.Question.Number, By: ada}); err != nil {
		l.t.Fatal(err)
	}
}

// TestAVisitEndsWithABalance of which nothing was known: its settings found, its layout learnt, and the change handed over as it was
// agreed to, in the name of whoever agreed.
func TestAVisitEndsWithABalance(t *testing.T) {
	t.Parallel()
	b := seeds()
	l := newLab(t, b.Open, "/dev/ttyS0", "/dev/ttyS1")
	l.refuse = []error{&setup.Declined{Why: "a change waits for a person"}}
	begun, err := l.BeginVisit(as(ada), ada)
	if err != nil {
		t.Fatal(err)
	}
	answers := usual()
	answers["port"] = "/dev/ttyS0|other|/dev/ttyS1" // the first belongs to a balance
	answers["address"] = "/etc/passwd"
	v, events := l.walk(begun.ID, "done", answers)
	told := strings.Join(says(events), "\n")
	for _, want := range []string{"belongs to balance b-1", `"/etc/passwd" is no serial device`} {
		if !strings.Contains(told, want) {
			t.Errorf("%q is not told: %s", want, told)
		}
	}
	if v.Port != "/dev/ttyS1" || v.Settings != "4800 7E1" || v.Step != 3 {
		t.Errorf("%+v", v)
	}
	l.enough(begun.ID)
	if v, _ = l.walk(begun.ID, "compare", answers); v.Reading == "" || !strings.Contains(v.Reading, " g") {
		t.Errorf("the test weighing is not shown: %+v", v)
	}
	if len(l.written) > 0 {
		t.Fatal("something is written before anybody agreed")
	}
	v, events = l.walk(begun.ID, "", answers)
	if v.State != console.VisitFinished || v.Result == nil || v.Result.Balance != "b-12" || v.Question != nil {
		t.Fatalf("%+v", v)
	}
	if len(l.written) != 1 || l.by.ID != "ada" || l.who.Person != "ada" || l.reason != "a new balance" {
		t.Fatalf("%d written, by %+v as %+v, %q", len(l.written), l.by, l.who, l.reason)
	}
	a := l.written[0]
	if _, err := layout.Parse("x", a.Layout); err != nil || a.Balance.Port.Settings() != "4800 7E1" || a.Balance.Readability.String() != "0.0001 g" || a.Balance.Layout != "layouts/b-12.yaml" {
		t.Errorf("%v: %+v\n%s", err, a.Balance, a.Layout)
	}
	if told = strings.Join(says(events), "\n"); !strings.Contains(told, "A change waits for a person.") {
		t.Errorf("why it was not written at first is not told: %s", told)
	}
	sawBytes(t, events)
	if b.IsOpen() {
		t.Error("the port is left open")
	}
	if _, err := os.Stat(filepath.Join(filepath.Dir(l.deps.Config()), "layouts")); err == nil {
		t.Error("a file was written beside the configuration")
	}
	if _, err := l.AnswerVisit(as(ada), begun.ID, console.VisitAnswer{Question: 1}); !errors.As(err, new(*console.VisitRefused)) {
		t.Errorf("what has ended takes an answer: %v", err)
	}
}

// sawBytes looks for the bytes as they came, twice: in numbers and as text.
func sawBytes(t *testing.T, events []console.VisitEvent) {
	t.Helper()
	for _, e := range events {
		if e.Bytes != nil && strings.Contains(e.Bytes.Hex, "67 20 20 0D 0A") && strings.Contains(e.Bytes.Text, "g  <CR><LF>") {
			return
		}
	}
	t.Error("the bytes are not shown as they came")
}

// TestTheLinesShowTheirPieces: side by side they are the line, and the weight and its unit have their names.
func TestTheLinesShowTheirPieces(t *testing.T) {
	t.Parallel()
	l := newLab(t, seeds().Open, "/dev/ttyS1")
	begun, _ := l.BeginVisit(as(ada), ada)
	answers := usual()
	answers["settings"], answers["known-settings"] = "known", "4800 7E1"
	l.walk(begun.ID, "done", answers)
	l.enough(begun.ID)
	v, _ := l.walk(begun.ID, "id", answers)
	if v.Lines == nil || !v.Lines.Learnt || v.Lines.Of == 0 || v.Lines.Fits < v.Lines.Of-1 {
		t.Fatalf("%+v", v.Lines)
	}
	line := v.Lines.Lines[len(v.Lines.Lines)-1]
	whole, names := "", map[string]string{}
	for _, p := range line.Pieces {
		whole += p.Text
		names[p.What] = p.Text
	}
	if whole != line.Text || names["unit"] != "g" || !strings.Contains(names["weight"], ".") {
		t.Errorf("%q and %q: %+v", whole, line.Text, line.Pieces)
	}
}

// TestAVisitIsAbandoned wherever it stands: by somebody, for want of a word, or with the daemon. Nothing is written, and the port is free.
func TestAVisitIsAbandoned(t *testing.T) {
	t.Parallel()
	for _, at := range []string{"port", "wait", "done", "compare"} {
		for _, how := range []string{"somebody ended it", "nobody said anything", "weighpost was stopped"} {
			t.Run(at+"/"+how, func(t *testing.T) {
				t.Parallel()
				abandoned(t, at, how)
			})
		}
	}
}

func abandoned(t *testing.T, at, how string) {
	b := seeds()
	l := newLab(t, b.Open, "/dev/ttyS1")
	begun, _ := l.BeginVisit(as(ada), ada)
	answers := usual()
	if at != "wait" {
		answers["settings"], answers["known-settings"] = "known", "4800 7E1"
	}
	if at == "compare" {
		l.walk(begun.ID, "done", answers)
		l.enough(begun.ID)
	}
	l.walk(begun.ID, at, answers)
	v, _ := l.find(begun.ID)
	switch how {
	case "somebody ended it":
		if _, err := l.AbandonVisit(as(ada), begun.ID); err != nil {
			t.Fatal(err)
		}
	case "nobody said anything":
		v.timer.Reset(time.Millisecond)
	default:
		if err := l.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
		if _, err := l.BeginVisit(as(ada), ada); err == nil {
			t.Error("a visit begins while weighpost stops")
		}
	}
	<-v.done
	seen, err := l.Visit(begun.ID)
	if err != nil || seen.State != console.VisitAbandoned || !strings.Contains(strings.ToLower(seen.Why), how) || len(l.written) > 0 || b.IsOpen() {
		t.Errorf("%v %+v, %d written, open: %v", err, seen, len(l.written), b.IsOpen())
	}
	if _, err := l.AbandonVisit(as(ada), begun.ID); err == nil {
		t.Error("it is abandoned twice")
	}
}

// TestTwoVisitsWantOnePort: the second is told who has it, and gets it once it is free. No more than four are under way.
func TestTwoVisitsWantOnePort(t *testing.T) {
	t.Parallel()
	l := newLab(t, seeds().Open, "/dev/ttyS1")
	first, _ := l.BeginVisit(as(ada), ada)
	l.walk(first.ID, "settings", usual())
	if ports, err := l.SetupPorts(t.Context()); err != nil || ports[0].Visit != first.ID || ports[0].Free {
		t.Errorf("%v %+v", err, ports)
	}
	second, _ := l.BeginVisit(as(ada), record.Actor{ID: "bea"})
	v, _ := l.walk(second.ID, "port", usual())
	if _, err := l.AnswerVisit(as(ada), second.ID, console.VisitAnswer{Question: v.Question.Number, Answer: "/dev/ttyS1", By: ada}); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { v, _ = l.Visit(second.ID); return len(v.Said) > 0 && v.Question != nil }, "it is not told why")
	if !strings.Contains(v.Said[0].Text, "in use by another balance that is being added (Ada Quill began that)") || v.Question.Key != "port" {
		t.Errorf("%+v", v)
	}
	if _, err := l.AbandonVisit(as(ada), first.ID); err != nil {
		t.Fatal(err)
	}
	if v, _ = l.walk(second.ID, "settings", usual()); v.Step != 2 {
		t.Errorf("%+v", v)
	}
	for range Most - 1 {
		if _, err := l.BeginVisit(as(ada), ada); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := l.BeginVisit(as(ada), ada); err == nil || !strings.Contains(err.Error(), "4 balances are being added already") {
		t.Errorf("%v", err)
	}
	some := rights.Who{Known: true, Person: "cleo", Rights: rights.Of(rights.Balances), Balances: []string{"b-1"}}
	if _, err := l.BeginVisit(rights.With(t.Context(), some), ada); err == nil || !strings.Contains(err.Error(), "only some balances (b-1)") {
		t.Errorf("%v", err)
	}
}

// TestGoingBackWhileTheBalanceIsWaitedFor leads to the question before.
func TestGoingBackWhileTheBalanceIsWaitedFor(t *testing.T) {
	t.Parallel()
	b := seeds()
	b.Stream = 0
	l := newLab(t, b.Open, "/dev/ttyS1")
	begun, _ := l.BeginVisit(as(ada), ada)
	v, _ := l.walk(begun.ID, "wait", usual())
	if v.Question.Kind != kindWait || v.Step != 2 {
		t.Fatalf("%+v", v)
	}
	answer := func(text string) error {
		_, err := l.AnswerVisit(as(ada), begun.ID, console.VisitAnswer{Question: v.Question.Number, Answer: text, By: ada})
		return err
	}
	if err := answer("yes"); err == nil {
		t.Error("what waits takes an answer")
	}
	if err := answer("back"); err != nil {
		t.Fatal(err)
	}
	if v, _ = l.walk(begun.ID, "port", map[string]string{}); v.Step != 1 {
		t.Errorf("%+v", v)
	}
	if b.IsOpen() {
		t.Error("the port is left open")
	}
}

// TestHostileBytesAndIDs: whatever a balance sends and a person types, what is shown is harmless, and a wrong answer changes nothing.
func TestHostileBytesAndIDs(t *testing.T) {
	t.Parallel()
	b := &setuptest.Balance{Line: uart.Settings{Speed: 9600, DataBits: 8, Parity: "none", StopBits: 1}, Stream: 50 * time.Millisecond,
		Print: func(n int) string {
			return fmt.Sprintf("\x1b[2J<script>alert(%d)</script>\xff\x00\u202e %9.3f g\r\n", n%3, 1.5+float64(n%30)*1.003)
		}}
	l := newLab(t, b.Open, "/dev/ttyS1", "/dev/serial/\x1b]0;x\a<b>")
	begun, _ := l.BeginVisit(as(ada), ada)
	answers := usual()
	answers["settings"], answers["known-settings"] = "known", "9600 8N1"
	v, _ := l.walk(begun.ID, "done", answers)
	l.enough(begun.ID)
	delete(answers, "write")
	v, _ = l.walk(begun.ID, "id", answers)
	for _, id := range []string{strings.Repeat("x", 501), "\x1b[0m", "b\n-1", "a\x00", "\xff", "stop"} {
		if _, err := l.AnswerVisit(as(ada), begun.ID, console.VisitAnswer{Question: v.Question.Number, Answer: id, By: ada}); !errors.As(err, new(*console.VisitRefused)) {
			t.Errorf("%.20q is taken: %v", id, err)
		}
	}
	for _, id := range []string{"../../etc", "B 1", "b/1", "$(x)", "<b>"} { // the walk itself refuses these, and asks again
		v, _ = l.Visit(begun.ID)
		if v.Question == nil || v.Question.Key != "id" {
			v, _ = l.walk(begun.ID, "id", map[string]string{})
		}
		if _, err := l.AnswerVisit(as(ada), begun.ID, console.VisitAnswer{Question: v.Question.Number, Answer: id, By: ada}); err != nil {
			t.Errorf("%q: %v", id, err)
		}
		v, _ = l.walk(begun.ID, "id", map[string]string{})
	}
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	_, events := l.walk(begun.ID, "id", map[string]string{})
	all, _ := json.Marshal(says(events))
	for _, bad := range []string{`\u001b`, `\u0000`, `\u202e`, "\u202e", `\u0007`} {
		if strings.Contains(string(text)+string(all), bad) {
			t.Errorf("%s is shown: %s %s", bad, text, all)
		}
	}
	if len(text) > 64<<10 {
		t.Errorf("a visit is %d bytes", len(text))
	}
	if len(l.written) > 0 {
		t.Error("something was written")
	}
}

// TestEventsStayFew: a balance that never stops fills no memory, and whoever comes late is shown how it stands all the same.
func TestEventsStayFew(t *testing.T) {
	t.Parallel()
	l := newLab(t, seeds().Open)
	v := &visit{host: l.Host, events: newEvents()}
	for n := range 2_000 {
		v.Tell(strings.Repeat("x", 5000))
		v.pass([]byte(strings.Repeat("\xff", 4096)), n%2 == 0)
	}
	if len(v.list) > mostEvents || v.size > mostOfEvents+mostOfText || len(v.shown.Said) > mostSaid {
		t.Errorf("%d events of %d bytes, %d said", len(v.list), v.size, len(v.shown.Said))
	}
	v.changed()
	list, err := v.follow(t.Context(), 3)
	if err != nil || list[len(list)-1].Visit == nil {
		t.Errorf("%v, the last of %d events is not how it stands", err, len(list))
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if list, err := v.follow(ctx, v.n); err == nil {
		t.Errorf("nothing happened, and there is %v", list)
	}
}
