package setup

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
)

// wire is a simulated port: what the test puts into it is read, what is written is kept, and lines are as the test says.
type wire struct {
	mu       sync.Mutex
	waiting  []byte // to be read
	held     []byte // what a balance has to say, and keeps until allowed
	written  []byte
	deadline time.Time
	lines    port.Lines // ours, and those of the far end
	speeds   []int      // at which it was opened

	noModem   bool
	pulse     bool                                // the balance waits for RTS to rise
	gate      func(l port.Lines) bool             // the balance sends while this holds; nil: at once
	loop      func(speed int, sent []byte) []byte // what comes back of what is sent; nil: nothing
	bridgeCTS bool                                // CTS follows RTS
	broken    error                               // the next read
	breaks    int                                 // to be told
	refuse    error                               // of the next opening
	atOpen    func(n int)                         // called when something is to be sent, before it is
	closed    int
	opened    int
}

func (w *wire) open(_ context.Context, c port.Config) (port.Port, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if err := w.refuse; err != nil {
		return nil, err
	}
	w.opened++
	if w.atOpen != nil {
		w.atOpen(w.opened)
	}
	w.speeds = append(w.speeds, c.Speed)
	if w.noModem {
		return struct{ port.Port }{w}, nil
	}
	return w, nil
}

func (w *wire) Read(p []byte) (int, error) {
	for {
		w.mu.Lock()
		if w.gate == nil || w.gate(w.lines) {
			w.waiting, w.held = append(w.waiting, w.held...), nil
		}
		if w.broken != nil {
			err := w.broken
			w.broken = nil
			w.mu.Unlock()
			return 0, err
		}
		if w.breaks > 0 {
			w.breaks--
			w.mu.Unlock()
			return 0, port.ErrBreak
		}
		n := copy(p, w.waiting)
		w.waiting = w.waiting[n:]
		late := !w.deadline.IsZero() && !time.Now().Before(w.deadline)
		w.mu.Unlock()
		switch {
		case n > 0:
			return n, nil
		case late:
			return 0, os.ErrDeadlineExceeded
		}
		time.Sleep(time.Millisecond)
	}
}

func (w *wire) SetReadDeadline(t time.Time) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.deadline = t
	return nil
}

func (w *wire) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.written = append(w.written, p...)
	if w.loop != nil {
		w.waiting = append(w.waiting, w.loop(w.speeds[len(w.speeds)-1], p)...)
	}
	return len(p), nil
}

func (w *wire) Close() error { w.closed++; return nil }

func (w *wire) Lines() (port.Lines, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	l := w.lines
	l.CTS = l.CTS || w.bridgeCTS && l.RTS
	return l, nil
}

func (w *wire) SetDTR(on bool) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.lines.DTR = on
	return nil
}

func (w *wire) SetRTS(on bool) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.pulse && on && !w.lines.RTS {
		w.waiting = append(w.waiting, printed...)
	}
	w.lines.RTS = on
	return nil
}

func (w *wire) Purge() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.waiting = nil
	return nil
}

// say has the balance send.
func (w *wire) say(text string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.held = append(w.held, text...)
}

const printed = "  12.3450 g\r\n"

// fitter is a person whose answers are written down, one for each question; what they do before they answer is in do.
type fitter struct {
	t       *testing.T
	answers map[string]string
	do      map[string]func()
	asked   []string
	told    []string
	wire    *wire
}

func (s *fitter) Tell(text string) { s.told = append(s.told, text) }

func (s *fitter) Ask(_ context.Context, q Question) (string, error) {
	s.asked = append(s.asked, q.Key)
	if !strings.Contains(strings.Join(s.asked, " "), "self-test") && len(s.wire.written) > 0 {
		s.t.Errorf("before the question %s %q was sent", q.Key, s.wire.written)
	}
	if do := s.do[q.Key]; do != nil {
		do()
	}
	answer, ok := s.answers[q.Key]
	if !ok {
		answer = answerSkip
	}
	if !slices.ContainsFunc(q.Choices, func(c Choice) bool { return c.Value == answer }) {
		s.t.Errorf("the question %s does not offer %s", q.Key, answer)
	}
	if answer != bridged && q.Default == bridged {
		s.t.Error("the self-test is the default")
	}
	return answer, nil
}

// lab is the computer of a test.
type lab struct {
	found   port.Found
	probers []port.Prober
	spared  bool
}

func (o *lab) List(context.Context) ([]port.Found, error) { return []port.Found{o.found}, nil }
func (o *lab) Probers() []port.Prober                     { return o.probers }
func (o *lab) Spared(string) (spared, known bool)         { return o.spared, true }

const silentPort = "/dev/balance/b-12"

func newLab() *lab {
	return &lab{found: port.Found{Address: silentPort, Device: "/dev/ttyUSB7", Kind: port.KindUSB}}
}

// walked runs the walk with a script.
func walked(t *testing.T, w *wire, o *lab, answers map[string]string, do map[string]func()) (*SilenceReport, *fitter) {
	t.Helper()
	s := &fitter{t: t, answers: answers, do: do, wire: w}
	var r *SilenceReport
	synctest.Test(t, func(t *testing.T) { // no time is waited for
		var err error
		if r, err = Silence(t.Context(), w.open, silentPort, s, SilenceOptions{Listen: 60 * time.Millisecond, System: o}); err != nil {
			t.Fatal(err)
		}
	})
	if w.closed != w.opened {
		t.Errorf("opened %d times and closed %d times", w.opened, w.closed)
	}
	t.Logf("asked %v\n%s", s.asked, r.Text())
	return r, s
}

// willing are answers of somebody who does everything.
func willing() map[string]string {
	return map[string]string{"print-key": answerDone, "menu": "right", "cable": "changed", "self-test": bridged, "plug-in": answerDone, "service": answerDone}
}

// In each step bytes may come, and the walk then ends with what was changed last.
func TestBytesThatComeInAStep(t *testing.T) {
	for step, want := range map[string]struct{ cause, at string }{
		"": {CauseNone, StepListen}, "print-key": {CauseKey, StepPrint}, "menu": {CauseMenu, StepMenu}, "cable": {CauseCable, StepCable},
		"plug-in": {CauseCable, StepSelfTest}, "service": {CauseService, StepService},
	} {
		t.Run(step, func(t *testing.T) {
			w, o := &wire{loop: loopedBack}, newLab()
			o.probers = []port.Prober{{Program: "ModemManager", PID: 7, Does: "tries each new port for a modem"}}
			if step == "" {
				w.say(printed)
			}
			r, s := walked(t, w, o, willing(), map[string]func(){step: func() { w.say(printed) }})
			if !r.Heard || r.At != want.at || r.Cause != want.cause || string(r.Bytes) != printed || r.Remedy == "" || len(r.RuledOut)+len(r.Open) != 0 {
				t.Errorf("%+v", r)
			}
			if last := r.Steps[len(r.Steps)-1]; last.Outcome != OutcomeHeard || last.Name != want.at {
				t.Errorf("the last step is %+v", last)
			}
			if step != "" && s.asked[len(s.asked)-1] != step {
				t.Errorf("asked on after %s: %v", step, s.asked)
			}
		})
	}
}

func loopedBack(_ int, sent []byte) []byte { return sent }

// Nothing helps: each step is done, in order, and each question asked once.
func TestNothingHelps(t *testing.T) {
	w, o := &wire{loop: loopedBack}, newLab()
	r, s := walked(t, w, o, willing(), nil)
	if want := []string{"print-key", "menu", "cable", "self-test", "plug-in"}; !slices.Equal(s.asked, want) {
		t.Errorf("asked %v, want %v", s.asked, want)
	}
	var steps []string
	for _, s := range r.Steps {
		steps = append(steps, s.Name+" "+s.Outcome)
	}
	want := []string{"holder seen", "listen silent", "lines seen", "print-key silent", "handshake silent", "menu silent", "cable silent", "self-test seen", "self-test silent", "service seen"}
	if !slices.Equal(steps, want) {
		t.Errorf("steps %q, want %q", steps, want)
	}
	if r.Heard || r.Cause != CauseMenu || !strings.Contains(strings.Join(r.RuledOut, "\n"), "dead adapter") || !strings.Contains(strings.Join(r.Open, "\n"), "only on a command") {
		t.Errorf("%+v", r)
	}
	if n := len(w.speeds); n < 4 || !slices.Contains(w.speeds, 9600) || !slices.Contains(w.speeds, 1200) {
		t.Errorf("opened at the speeds %v", w.speeds)
	}
}

// The self-test tells a good adapter from a dead one, a faulty one and one at which something is still connected; and it sends
// nothing where somebody did not say that the bridge is in.
func TestTheSelfTest(t *testing.T) {
	for name, c := range map[string]struct {
		wire  *wire
		loop  string
		cause string
	}{
		"good":          {&wire{loop: loopedBack}, loopWhole, CauseCable},
		"dead":          {&wire{}, loopNothing, CauseAdapter},
		"one speed":     {&wire{loop: func(speed int, sent []byte) []byte { return sent[:len(sent)*(speed/9600)] }}, loopSome, CauseAdapter},
		"a bit flipped": {&wire{loop: func(_ int, sent []byte) []byte { return append([]byte{sent[0] ^ 1}, sent[1:]...) }}, loopDiffers, CauseAdapter},
		"twice":         {&wire{loop: func(_ int, sent []byte) []byte { return append(sent, sent...) }}, loopDiffers, CauseAdapter},
	} {
		t.Run(name, func(t *testing.T) {
			r, _ := walked(t, c.wire, newLab(), map[string]string{"self-test": bridged}, nil)
			if r.Cause != c.cause || len(c.wire.written) == 0 {
				t.Errorf("cause %s, sent %q", r.Cause, c.wire.written)
			}
			if i := slices.IndexFunc(r.Steps, func(s SilenceStep) bool { return s.Name == StepSelfTest }); i < 0 || r.Steps[i].Saw != loopSays[c.loop] {
				t.Errorf("steps %+v", r.Steps)
			}
		})
	}
}

// Where something talks, although the balance is said to be unplugged, nothing is sent, not even when it has been silent since.
func TestNothingIsSentToABalanceThatTalks(t *testing.T) {
	w := &wire{loop: loopedBack}
	w.atOpen = func(n int) {
		if n == 2 { // the first of the self-test
			go func() { time.Sleep(20 * time.Millisecond); w.say("1") }() // which the bubble of the walk waits for
		}
	}
	r, _ := walked(t, w, newLab(), map[string]string{"self-test": bridged}, nil)
	if len(w.written) != 0 || !strings.Contains(r.Text(), loopSays[loopTalks]) || !strings.Contains(strings.Join(r.Open, "\n"), "it was not tested") {
		t.Errorf("sent %q: %+v", w.written, r)
	}
}

// Every answer but the one that says so keeps the self-test from sending.
func TestNothingIsSentUnasked(t *testing.T) {
	for _, answer := range []string{answerSkip, answerStop, "", "done", "yes", " bridged"} {
		w := &wire{}
		p := answering(func(q Question) (string, error) {
			if q.Key == "self-test" {
				return answer, nil
			}
			return answerDone, nil
		})
		if _, err := Silence(t.Context(), w.open, silentPort, p, SilenceOptions{Listen: time.Millisecond, System: newLab()}); err != nil || len(w.written) != 0 {
			t.Errorf("%q: %v, sent %q", answer, err, w.written)
		}
	}
	w := &wire{}
	r, err := Silence(t.Context(), w.open, silentPort, Nobody{}, SilenceOptions{Listen: time.Millisecond, System: newLab()})
	if err != nil || len(w.written) != 0 || !strings.Contains(r.Text(), "nobody to ask") || r.Heard || r.Cause == "" {
		t.Errorf("with nobody: %v, %+v", err, r)
	}
}

type answering func(Question) (string, error)

func (answering) Tell(string)                                         {}
func (f answering) Ask(_ context.Context, q Question) (string, error) { return f(q) }

// A balance that holds its bytes until a modem line is on, or rises, is heard in the step that switches them.
func TestABalanceThatWaitsForALine(t *testing.T) {
	for name, w := range map[string]*wire{
		"RTS on":    {gate: func(l port.Lines) bool { return l.RTS }},
		"DTR on":    {gate: func(l port.Lines) bool { return l.DTR }},
		"RTS rises": {pulse: true, lines: port.Lines{DTR: true, RTS: true}},
	} {
		if w.gate != nil {
			w.say(printed)
		}
		r, _ := walked(t, w, newLab(), map[string]string{"print-key": answerDone}, nil)
		if r.At != StepHandshake || r.Cause != CauseHandshake || !w.lines.DTR || !w.lines.RTS {
			t.Errorf("%s: at %s, cause %s, lines %+v", name, r.At, r.Cause, w.lines)
		}
	}
}

// What the lines tell is told, and no more: a bridge in a plug makes CTS say nothing of the balance.
func TestWhatTheLinesTell(t *testing.T) {
	alive := &wire{lines: port.Lines{CTS: true, DSR: true}}
	r, _ := walked(t, alive, newLab(), nil, nil)
	if r.Cause != CauseMenu || !strings.Contains(strings.Join(r.RuledOut, "\n"), "that is off") || !strings.Contains(r.Text(), "CTS and DSR is on") {
		t.Errorf("lines are on: %+v", r)
	}
	dead := &wire{}
	if r, _ := walked(t, dead, newLab(), nil, nil); r.Cause != CauseCable || strings.Contains(strings.Join(r.RuledOut, "\n"), "that is off") {
		t.Errorf("no line is on: %+v", r)
	}
	follows := &wire{bridgeCTS: true, lines: port.Lines{RTS: true, DTR: true}}
	if r, _ := walked(t, follows, newLab(), nil, nil); r.Cause != CauseUnknown || strings.Contains(strings.Join(r.RuledOut, "\n"), "that is off") ||
		!strings.Contains(strings.Join(r.Open, "\n"), "bridge in a plug") {
		t.Errorf("CTS follows RTS: %+v", r)
	}
	none := &wire{noModem: true}
	if r, _ := walked(t, none, newLab(), nil, nil); r.Cause != CauseUnknown || !strings.Contains(strings.Join(r.Open, "\n"), "shows no modem lines") {
		t.Errorf("no lines: %+v", r)
	}
}

// While somebody has the port it is not opened.
func TestAPortThatIsHeld(t *testing.T) {
	w, o := &wire{}, newLab()
	o.found.Holder = "cat (process 7)"
	r, _ := walked(t, w, o, nil, nil)
	if w.opened != 0 || r.Cause != CauseHolder || !strings.Contains(r.Sentence, "cat (process 7)") {
		t.Errorf("opened %d times: %+v", w.opened, r)
	}
	w.say(printed)
	r, s := walked(t, w, o, map[string]string{"holder": answerDone}, map[string]func(){"holder": func() { o.found.Holder = "" }})
	if r.Cause != CauseHolder || r.At != StepListen || !r.Heard || len(s.asked) != 1 {
		t.Errorf("after it was closed: %+v", r)
	}
	o.found.Holder = "cat (process 7)" // and is not closed, whatever the person says
	r, s = walked(t, &wire{}, o, map[string]string{"holder": answerDone}, nil)
	if r.Cause != CauseHolder || len(s.asked) != mostAskedAgain {
		t.Errorf("asked %v: %+v", s.asked, r)
	}
	o.found.Holder = "" // somebody who cannot be seen
	busy := &wire{refuse: &port.Trouble{Code: port.CodeBusy, Sentence: "In use."}}
	if r, _ = walked(t, busy, o, nil, nil); r.Cause != CauseHolder || !strings.Contains(r.Sentence, "cannot be seen") {
		t.Errorf("unseen: %+v", r)
	}
	o.found.HolderUnsure = true
	if r, _ = walked(t, &wire{}, o, nil, nil); strings.Contains(strings.Join(r.RuledOut, "\n"), "another program") || !strings.Contains(strings.Join(r.Open, "\n"), "root sees all") {
		t.Errorf("not sure: %+v", r)
	}
}

// An adapter that goes away while cables are moved is opened again; one that cannot be opened is an error with what is known.
func TestAPortThatGoesAway(t *testing.T) {
	w := &wire{}
	r, _ := walked(t, w, newLab(), willing(), map[string]func(){"cable": func() { w.broken = errors.New("gone"); w.say(printed) }})
	if r.At != StepCable || w.opened != 2 {
		t.Errorf("opened %d times: %+v", w.opened, r)
	}
	w = &wire{refuse: &port.Trouble{Code: port.CodeRefused, Sentence: "No."}}
	r, err := Silence(t.Context(), w.open, silentPort, Nobody{}, SilenceOptions{Listen: time.Millisecond, System: newLab()})
	if err == nil || r == nil || r.Heard {
		t.Errorf("%v, %+v", err, r)
	}
}

// A few bytes and breaks are what a plug makes; they are told, and taken for no line.
func TestAPlugThatIsMoved(t *testing.T) {
	w := &wire{breaks: 2, waiting: []byte{0, 0xff}}
	r, _ := walked(t, w, newLab(), nil, nil)
	if r.Heard || r.Cause != CauseCable || !strings.Contains(r.Sentence, "2 single bytes, 2 breaks") {
		t.Errorf("%+v", r)
	}
}

// A service that tries adapters is named, unless udev keeps it away from this one.
func TestAServiceThatTriesAdapters(t *testing.T) {
	o := newLab()
	o.probers = []port.Prober{{Program: "ModemManager", PID: 7, Does: "tries each new port for a modem"}, {Program: "agetty", PID: 8, Does: "prompts"}}
	r, _ := walked(t, &wire{noModem: true}, o, nil, nil)
	if r.Cause != CauseService || !strings.Contains(r.Sentence, "cannot be seen") || strings.Contains(r.Text(), "agetty") {
		t.Errorf("%+v", r)
	}
	o.spared = true
	if r, _ = walked(t, &wire{noModem: true}, o, nil, nil); r.Cause == CauseService {
		t.Errorf("spared: %+v", r)
	}
}

// The walk ends with its context, while it listens and while it asks.
func TestTheWalkEnds(t *testing.T) {
	for name, listen := range map[string]time.Duration{"listening": time.Hour, "asking": time.Millisecond} {
		ctx, cancel := context.WithCancel(t.Context())
		p := answering(func(Question) (string, error) { cancel(); return "", ctx.Err() })
		if listen == time.Hour {
			time.AfterFunc(30*time.Millisecond, cancel)
		}
		w := &wire{}
		if _, err := Silence(ctx, w.open, silentPort, p, SilenceOptions{Listen: listen, System: newLab()}); !errors.Is(err, context.Canceled) || w.closed != w.opened {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Whatever a balance sends at any time, the walk ends, keeps no more than it may, and claims no silence where there was a line.
func FuzzSilence(f *testing.F) {
	f.Add([]byte(printed), uint8(0), uint8(3))
	f.Add([]byte{0, 0xff}, uint8(2), uint8(0xff))
	f.Add([]byte(strings.Repeat("x", 9000)), uint8(5), uint8(0x55))
	f.Fuzz(func(t *testing.T, bytes []byte, at, choose uint8) {
		w, n := &wire{loop: loopedBack}, uint8(0)
		p := answering(func(q Question) (string, error) {
			if n == at%8 {
				w.say(string(bytes))
			}
			n++
			if int(choose>>(n%8))&1 == 0 {
				return answerSkip, nil
			}
			return q.Choices[0].Value, nil
		})
		r, err := Silence(t.Context(), w.open, silentPort, p, SilenceOptions{Listen: 2 * time.Millisecond, System: newLab()})
		if err != nil || len(r.Bytes) > mostSample || r.Sentence == "" || r.Remedy == "" || r.Heard != (len(r.Bytes) >= stray) {
			t.Errorf("%v, %+v", err, r)
		}
	})
}

func ExampleSilenceReport_Text() {
	r := SilenceReport{Steps: []SilenceStep{{StepListen, "Only listened.", "Nothing came.", OutcomeSilent}}, RuledOut: []string{"another program that has the port"},
		Likeliest: Likeliest{CauseUnknown, "What was seen does not tell.", "Go on."}}
	fmt.Print(r.Text())
	// Output:
	// listen     Only listened. Nothing came.
	//
	// What was seen speaks against:
	//   - another program that has the port
	//
	// What was seen does not tell.
	// Go on.
}
