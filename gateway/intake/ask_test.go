package intake

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// twoWay is a line that can be written to. What is sent to the balance goes to take, which is called in a goroutine of its own
// and answers by calling say.
type twoWay struct {
	take  func(w *twoWay, sent string)
	stuck bool // writing fails as it does where flow control holds it back

	mu   sync.Mutex
	h    port.Handler
	sent []string
	acts sync.WaitGroup
}

func (w *twoWay) Run(ctx context.Context, h port.Handler) error {
	w.mu.Lock()
	w.h = h
	w.mu.Unlock()
	h.Up(time.Now())
	<-ctx.Done()
	h.Down(time.Now(), fmt.Errorf("weighpost stopped reading: %w", context.Cause(ctx)))
	w.acts.Wait()
	return nil
}

func (w *twoWay) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.stuck {
		return 0, os.ErrDeadlineExceeded
	}
	w.sent = append(w.sent, string(p))
	if w.take != nil {
		w.acts.Go(func() { w.take(w, string(p)) })
	}
	return len(p), nil
}

// port is who is told what happens on the wire.
func (w *twoWay) port() port.Handler {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.h
}

// say has the balance send a text.
func (w *twoWay) say(text string) { sent(w.port(), text) }

func (w *twoWay) asked() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.sent)
}

// polled is a balance that is asked, on a wire. act runs once its port has been silent for a second.
func polled(t *testing.T, change func(*Config), w *twoWay, act func(b *bench), watched ...func() bool) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, func(c *Config) {
			c.Ask = &AskConfig{Send: "\x05"}
			if change != nil {
				change(c)
			}
		}, nil)
		b.line = w
		for _, f := range watched {
			b.watched = f
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- b.Run(ctx) }()
		time.Sleep(time.Second)
		act(b)
		time.Sleep(5 * time.Second)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

// after has the balance answer everything with a text after a while.
func after(d time.Duration, text string) func(*twoWay, string) {
	return func(w *twoWay, _ string) {
		time.Sleep(d)
		w.say(text)
	}
}

func read(b *bench, r record.ReadRequest) (string, error) {
	a, err := b.Read(context.Background(), r)
	return strings.TrimSpace(a.Value.Digits + " " + a.Recorded), err
}

func refusal(t *testing.T, err error, words ...string) {
	t.Helper()
	var refused *record.AskRefused
	if !errors.As(err, &refused) {
		t.Errorf("%T %v, want a refusal", err, err)
		return
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q does not say %q", err, w)
		}
	}
}

func noAnswer(t *testing.T, err error, words string) {
	t.Helper()
	var none *record.NoAnswer
	if !errors.As(err, &none) || !strings.Contains(err.Error(), words) {
		t.Errorf("%T %v, want no answer because %s", err, err, words)
	}
}

func TestARequestIsAnsweredAndRecordedOnlyWhereItSaysSo(t *testing.T) {
	polled(t, nil, &twoWay{take: after(100*time.Millisecond, "W 12.345 g S\r\n")}, func(b *bench) {
		if got, err := read(b, record.ReadRequest{}); got != "12.345" || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		expect(t, b.journal.bodies(), "port-up 1")
		if got, err := read(b, record.ReadRequest{Record: true}); got != "12.345 site/inc/b-12/000002" || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 12.345 g")
		w := b.journal.bodies()[1].(*record.Weighing)
		if w.Trigger != "asked" || len(w.Verdicts) != 0 || string(w.Frame) != "W 12.345 g S\r\n" {
			t.Errorf("%+v", w)
		}
		if s := b.Status().Asked; s.Questions != 2 || s.Answers != 2 || s.Missed != 0 || s.Unasked != 0 || s.Last.Time().IsZero() {
			t.Errorf("%+v", s)
		}
	})
}

func TestNothingIsSentUnlessConfigured(t *testing.T) {
	w := &twoWay{}
	polled(t, func(c *Config) { c.Ask = nil }, w, func(b *bench) {
		_, err := read(b, record.ReadRequest{})
		refusal(t, err, "says nothing under ask")
		_, err = b.Command(context.Background(), record.CommandRequest{Name: "tare"})
		if !errors.Is(err, record.ErrNoCommand) {
			t.Error(err)
		}
		w.say("W 1.000 g S\r\n")
		time.Sleep(time.Hour)
	})
	if sent := w.asked(); len(sent) != 0 {
		t.Errorf("the balance was sent %q", sent)
	}
}

func TestALateAnswerIsNobodys(t *testing.T) {
	n := 0
	w := &twoWay{take: func(w *twoWay, _ string) {
		n++
		if n == 1 {
			time.Sleep(1900 * time.Millisecond) // its time is 1 s
			w.say("W 1.000 g S\r\n")
			return
		}
		w.say(fmt.Sprintf("W %d.000 g S\r\n", n))
	}}
	polled(t, nil, w, func(b *bench) {
		_, err := read(b, record.ReadRequest{Record: true})
		noAnswer(t, err, "nothing came within 1s")
		began := time.Now()
		if got, err := read(b, record.ReadRequest{Record: true}); !strings.HasPrefix(got, "2.000 ") || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		if waited := time.Since(began); waited != 900*time.Millisecond+2*time.Second {
			t.Errorf("the next question came %s after the first was given up", waited)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 1.000 g", "weighing 2.000 g")
		late := b.journal.bodies()[1].(*record.Weighing)
		if late.Trigger != "printed" || len(late.Verdicts) != 1 || late.Verdicts[0].Rule != ruleLate || late.Verdicts[0].Pass {
			t.Errorf("%+v", late)
		}
		if s := b.Status().Asked; s.Late != 1 || s.Missed != 1 || s.Answers != 1 || s.Why != "" {
			t.Errorf("%+v", s)
		}
	})
}

// An answer that a device server has kept while the way to it was lost is no answer to the next question.
func TestAnAnswerFromBeforeALostPortIsLate(t *testing.T) {
	var n atomic.Int32
	w := &twoWay{take: func(w *twoWay, _ string) {
		if n.Add(1) == 2 {
			w.say("W 2.000 g S\r\n")
		}
	}}
	polled(t, nil, w, func(b *bench) {
		go func() {
			time.Sleep(500 * time.Millisecond)
			w.port().Down(time.Now(), &port.Trouble{Code: port.CodeLost, Sentence: "The connection was lost."})
			time.Sleep(time.Second)
			w.port().Up(time.Now())
			time.Sleep(300 * time.Millisecond)
			w.say("W 1.000 g S\r\n")
		}()
		_, err := read(b, record.ReadRequest{})
		refusal(t, err, "is not open")
		time.Sleep(1100 * time.Millisecond)
		if got, err := read(b, record.ReadRequest{}); got != "2.000" || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		if s := b.Status().Asked; s.Late != 1 {
			t.Errorf("%+v", s)
		}
	})
}

// A print long after a missed answer is no late answer, also where nothing was asked in between.
func TestAPrintLongAfterIsNotLate(t *testing.T) {
	w := &twoWay{}
	polled(t, nil, w, func(b *bench) {
		_, err := read(b, record.ReadRequest{})
		noAnswer(t, err, "nothing came within 1s")
		time.Sleep(2*time.Second + time.Millisecond)
		w.say("W 1.000 g S\r\n")
		time.Sleep(time.Second)
		if v := b.journal.bodies()[1].(*record.Weighing).Verdicts; len(v) != 0 || b.Status().Asked.Late != 0 {
			t.Errorf("%+v", v)
		}
	})
}

// An answer whose entry the journal does not take is not told as recorded.
func TestAnAnswerThatIsNotInTheJournalIsNotRecorded(t *testing.T) {
	polled(t, nil, &twoWay{take: after(0, "W 1.000 g S\r\n")}, func(b *bench) {
		b.journal.stop(errors.New("the disk is full"))
		began := time.Now()
		got, err := read(b, record.ReadRequest{Record: true})
		if !errors.Is(err, record.ErrUnrecorded) || got != "1.000" || time.Since(began) > recordLimit+time.Second {
			t.Errorf("%q, %v after %s", got, err, time.Since(began))
		}
		b.journal.stop(nil)
	})
}

func TestWhatBeganBeforeTheQuestionIsNoAnswer(t *testing.T) {
	w := &twoWay{take: after(0, "W 7.000 g S\r\n")}
	polled(t, nil, w, func(b *bench) {
		w.say("W 1.0")
		go func() {
			time.Sleep(200 * time.Millisecond)
			w.say("00 g S\r\n")
		}()
		if got, err := read(b, record.ReadRequest{}); got != "7.000" || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 1.000 g")
	})
}

// Half a line whose end never comes is not joined to an answer, and an answer that could be the rest of it is not read.
func TestHalfALineIsNotJoinedToAnAnswer(t *testing.T) {
	w := &twoWay{take: after(0, "2.345 g\r\n")}
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, free, func(c *Config) { c.Ask = &AskConfig{Send: "\x05"} }, nil)
		b.line = w
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- b.Run(ctx) }()
		time.Sleep(time.Second)
		w.say("1.000 g\r\n")
		w.say("1") // and then nothing for long
		_, err := read(b, record.ReadRequest{Record: true})
		noAnswer(t, err, "its beginning may be missing")
		if got, err := read(b, record.ReadRequest{Record: true}); !strings.HasPrefix(got, "2.345") || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 1.000 g", "unread "+cutByQuestion, "unread its beginning may be missing", "weighing 2.345 g")
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func TestSilenceIsAConditionThatGoesWithTheNextAnswer(t *testing.T) {
	var answers atomic.Bool
	w := &twoWay{take: func(w *twoWay, _ string) {
		if answers.Load() {
			w.say("W 1.000 g S\r\n")
		}
	}}
	polled(t, func(c *Config) { c.Ask.Every, c.Ask.Missed = strict.Duration(4*time.Second), 2 }, w, func(b *bench) {
		time.Sleep(time.Second)
		if list := b.board.List(); len(list) != 0 {
			t.Errorf("after one missed answer: %+v", list)
		}
		time.Sleep(4 * time.Second)
		list := b.board.List()
		if len(list) != 1 || list[0].Code != health.NoAnswer || !strings.Contains(list[0].Sentence, `the last 2 times that it was asked with "\x05": nothing came within 1s.`) {
			t.Errorf("%+v", list)
		}
		answers.Store(true)
		time.Sleep(4 * time.Second)
		if list := b.board.List(); len(list) != 0 {
			t.Errorf("after an answer: %+v", list)
		}
		expect(t, b.journal.bodies(), "port-up 1") // rule printed: an answer is shown, and not recorded
		if live := b.screen.all(); len(live) != 1 {
			t.Errorf("%+v", live)
		}
		answers.Store(false)
		time.Sleep(9 * time.Second)
		b.Configure(func() Config { c := b.Config(); c.Ask = nil; return c }(), b.software)
		if list := b.board.List(); len(list) != 0 {
			t.Errorf("nothing is asked any more, and %+v", list)
		}
	})
}

func TestWhatCannotBeReadIsNoAnswer(t *testing.T) {
	polled(t, nil, &twoWay{take: after(0, "ERR 3\r\n")}, func(b *bench) {
		_, err := read(b, record.ReadRequest{Record: true})
		noAnswer(t, err, "what came within 1s is no answer")
	})
}

func TestOnlyWhatIsWatchedIsAsked(t *testing.T) {
	var watched atomic.Bool
	w := &twoWay{take: after(0, "W 1.000 g S\r\n")}
	polled(t, func(c *Config) { c.Ask.Every, c.Ask.WhileWatched = strict.Duration(time.Second), true }, w, func(b *bench) {
		time.Sleep(10500 * time.Millisecond) // halfway between two questions
		if n := len(w.asked()); n != 0 {
			t.Errorf("asked %d times while nobody looked", n)
		}
		if got, err := read(b, record.ReadRequest{}); got != "1.000" || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		watched.Store(true)
		time.Sleep(10 * time.Second)
		if n := len(w.asked()); n != 11 {
			t.Errorf("asked %d times, once on request and then each second", n)
		}
		watched.Store(false)
	}, watched.Load)
}

func TestThePeriodFeedsTheCaptureRule(t *testing.T) {
	for rule, want := range map[string][]string{
		All:      {"weighing 1.000 g", "weighing 1.000 g", "weighing 1.000 g"},
		Settling: {"weighing 1.000 g"},
		Periodic: {"weighing 1.000 g"},
		Printed:  nil,
	} {
		w := &twoWay{take: after(10*time.Millisecond, "W 1.000 g -\r\n")}
		polled(t, func(c *Config) {
			c.Ask.Every = strict.Duration(time.Second)
			c.Record = Rule{Kind: rule, Settled: DefaultSettled}
			if rule == Periodic {
				c.Record.Every = strict.Duration(10 * time.Second)
			}
		}, w, func(b *bench) {
			time.Sleep(2500*time.Millisecond - time.Second)
			b.Configure(func() Config { c := b.Config(); c.Ask = nil; return c }(), b.software)
			time.Sleep(time.Minute)
			expect(t, b.journal.bodies()[1:], want...)
			if got := len(w.asked()); got != 3 {
				t.Errorf("%s: asked %d times", rule, got)
			}
		})
	}
}

func TestTwoAnswersMustAgree(t *testing.T) {
	answers := []string{"W 1.000 g S", "W 1.000 g S", "W 2.000 g S", "W 2.001 g S", "W 3.000 g M", "W 3.000 g S", "W 4.000 kg S", "W 4.000 g S", "W 5.000 g S", "W 5.000 g S"}
	n := 0
	w := &twoWay{take: func(w *twoWay, _ string) { n++; w.say(answers[n-1] + "\r\n") }}
	polled(t, func(c *Config) { c.Ask.Confirm = 2 }, w, func(b *bench) {
		if got, err := read(b, record.ReadRequest{Record: true}); !strings.HasPrefix(got, "1.000 ") || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		for _, words := range []string{"2.000 g (stable), then 2.001 g (stable)", "3.000 g (unstable), then", "4.000 kg (stable), then 4.000 g"} {
			_, err := read(b, record.ReadRequest{Record: true})
			refusal(t, err, words)
		}
		if got, err := read(b, record.ReadRequest{}); got != "5.000" || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		const differ = "unread it was asked twice, and the answers are not equal"
		expect(t, b.journal.bodies(), "port-up 1", "weighing 1.000 g", differ, differ, differ)
		if v := b.journal.bodies()[1].(*record.Weighing).Verdicts; len(v) != 1 || v[0] != (record.Verdict{Rule: ruleTwice, Pass: true}) {
			t.Errorf("%+v", v)
		}
		if s := b.Status().Asked; s.Differed != 3 || s.Answers != 10 {
			t.Errorf("%+v", s)
		}
	})
}

func TestAStuckLineIsAMissedAnswer(t *testing.T) {
	w := &twoWay{stuck: true}
	polled(t, nil, w, func(b *bench) {
		_, err := read(b, record.ReadRequest{})
		noAnswer(t, err, "flow control at the balance holds it back")
		if s := b.Status().Asked; s.Questions != 0 || s.Missed != 1 {
			t.Errorf("%+v", s)
		}
	})
}

func TestALineThatIsNeverSilentIsNotAsked(t *testing.T) {
	w := &twoWay{}
	polled(t, nil, w, func(b *bench) {
		stop := make(chan struct{})
		done := make(chan struct{})
		go func() {
			defer close(done)
			for {
				select {
				case <-stop:
					return
				case <-time.After(40 * time.Millisecond):
					w.say("W 1.000 g S\r\n")
				}
			}
		}()
		time.Sleep(100 * time.Millisecond)
		_, err := read(b, record.ReadRequest{})
		noAnswer(t, err, "the line does not fall silent")
		close(stop)
		<-done
		if len(w.asked()) != 0 {
			t.Error("it was asked")
		}
	})
}

func TestARequestWaitsForTheLoadToRest(t *testing.T) {
	n := 0
	w := &twoWay{take: func(w *twoWay, _ string) {
		n++
		w.say(fmt.Sprintf("W %d.000 g %s\r\n", n, map[bool]string{true: "S", false: "M"}[n == 4]))
	}}
	polled(t, nil, w, func(b *bench) {
		if got, err := read(b, record.ReadRequest{Record: true, Wait: 10 * time.Second}); !strings.HasPrefix(got, "4.000 ") || err != nil {
			t.Errorf("%q, %v", got, err)
		}
		_, err := read(b, record.ReadRequest{Record: true, Wait: time.Second})
		refusal(t, err, "did not come to rest within 1s", "(unstable)")
		expect(t, b.journal.bodies(), "port-up 1", "weighing 4.000 g")
	})
}

func TestWhatIsNoWeighingIsNotRecordedOnRequest(t *testing.T) {
	polled(t, nil, &twoWay{take: after(0, "W +++++ g -\r\n")}, func(b *bench) {
		_, err := read(b, record.ReadRequest{Record: true})
		refusal(t, err, "over range")
		a, err := b.Read(context.Background(), record.ReadRequest{})
		if err != nil || a.Value.Range != "over" || a.Value.Digits != "" {
			t.Errorf("%+v, %v", a, err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "unread the balance showed no value")
	})
}

func TestBytesAreWrittenAndReadAlike(t *testing.T) {
	for text, want := range map[string]Bytes{"P\r\n": "P\r\n", "\x05": "\x05", "\u00e9": "\xe9", "\u0000": "\x00", "\u007f\"\\": "\x7f\"\\"} {
		var b Bytes
		if err := b.UnmarshalText([]byte(text)); err != nil || b != want {
			t.Errorf("%q is %q, %v", text, string(b), err)
		}
		if back, err := b.MarshalText(); err != nil || string(back) != text {
			t.Errorf("%q is written as %q, %v", text, back, err)
		}
	}
	if got, want := Bytes("a\r\n\t\x02\xe9\"\\").String(), `"a\r\n\t\x02\xe9\"\\"`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if new(Bytes).UnmarshalText([]byte("☃")) == nil {
		t.Error("a letter of several bytes is taken")
	}
}

// TestWhoeverAsksForAWeighingHasItUnderTheirOwnName, or under none: never under that of somebody else who is signed in there.
func TestWhoeverAsksForAWeighingHasItUnderTheirOwnName(t *testing.T) {
	polled(t, nil, &twoWay{take: after(100*time.Millisecond, "W 12.345 g S\r\n")}, func(b *bench) {
		if _, err := b.SetContext(context.Background(), record.ContextRequest{By: record.BySent, Person: &record.ContextItem{ID: "p-07"}, At: time.Now()}); err != nil {
			t.Fatal(err)
		}
		if _, err := read(b, record.ReadRequest{Record: true, Person: "p-08"}); err == nil || !strings.Contains(err.Error(), `under the name of "p-07"`) {
			t.Errorf("%v", err)
		}
		for _, body := range b.journal.bodies() {
			if w, ok := body.(*record.Weighing); ok {
				t.Errorf("%+v", w)
			}
		}
		for _, who := range []string{"p-07", ""} { // themselves, and whoever may ask for anybody
			if got, err := read(b, record.ReadRequest{Record: true, Person: who}); !strings.HasPrefix(got, "12.345 site") || err != nil {
				t.Errorf("%q: %q, %v", who, got, err)
			}
		}
	})
}
