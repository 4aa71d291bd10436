package clock

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/beevik/ntp"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// bubble is a computer inside a synctest bubble, whose raw clock runs wrong by ppm, and servers that answer with the truth.
type bubble struct {
	start time.Time
	ppm   int64

	mu    sync.Mutex
	asked map[string]int
	how   func(server string, r *ntp.Response) error // changes an answer, or says why there is none
}

func (b *bubble) raw() time.Duration {
	d := time.Since(b.start)
	return time.Hour + d + d/1_000_000*time.Duration(b.ppm)
}

func (b *bubble) read() Reading {
	now := time.Now()
	return Reading{Now: now, Wall: now.Round(0), Raw: b.raw()}
}

func (b *bubble) ask(ctx context.Context, server string) (*ntp.Response, string, error) {
	b.mu.Lock()
	b.asked[server]++
	how := b.how
	b.mu.Unlock()
	t1 := time.Unix(0, int64(b.raw()))
	time.Sleep(5 * time.Millisecond)
	t2 := time.Now()
	time.Sleep(5 * time.Millisecond)
	r := &ntp.Response{
		Timestamps: ntp.ProtocolTimestamps{ClientXmit: t1, ServerRecv: t2, ServerXmit: t2, ClientRecv: time.Unix(0, int64(b.raw()))},
		Precision:  time.Microsecond, Version: 4, Stratum: 2, ReferenceTime: t2.Add(-time.Minute), Time: t2,
	}
	if err := how(server, r); err != nil {
		<-ctx.Done() // as long as an answer may take
		return nil, "", err
	}
	return r, server, nil
}

func (b *bubble) set(how func(string, *ntp.Response) error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.how = how
}

func (b *bubble) count(server string) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.asked[server]
}

func answers(string, *ntp.Response) error { return nil }
func silence(string, *ntp.Response) error { return context.DeadlineExceeded }

// inBubble runs a clock in a bubble. Its servers answer as how says from the first question on: the clock asks as soon as it runs,
// perhaps before f begins.
func inBubble(t *testing.T, cfg Config, ppm int64, how func(string, *ntp.Response) error, f func(t *testing.T, b *bubble, r *running)) {
	synctest.Test(t, func(t *testing.T) {
		b := &bubble{start: time.Now(), ppm: ppm, asked: map[string]int{}, how: how}
		r := &running{pages: &pages{}, board: health.New(time.Now)}
		c, err := newClock(cfg, Deps{Recorder: r.pages, Health: r.board, Zone: time.UTC}, ticker{read: b.read, raw: b.raw, name: "bubble", slewed: true, precision: finePrecision}, b.ask)
		if err != nil {
			t.Fatal(err)
		}
		r.Clock = c
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- c.Run(ctx) }()
		defer func() {
			cancel()
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}()
		f(t, b, r)
	})
}

// TestADayOfHoldover silences every server for a day. The clock drifts by 90 ppm, 100 are declared: after 24 h that is 7.776 s
// of a bound that has grown by 8.64 s.
func TestADayOfHoldover(t *testing.T) {
	inBubble(t, threeServers, 90, answers, func(t *testing.T, b *bubble, r *running) {
		time.Sleep(time.Minute)
		s := r.holds(t)
		if s.Clock != record.ClockChecked || s.Sources != 3 {
			t.Fatalf("%+v", s)
		}
		first := time.Duration(*s.Bound)
		b.set(silence)
		holdover := time.Duration(0)
		for at := 10 * time.Minute; at <= 24*time.Hour; at += 10 * time.Minute {
			time.Sleep(10 * time.Minute)
			s := r.holds(t)
			if s.Clock == record.ClockHoldover && holdover == 0 {
				holdover = at
			}
			if checked := time.Duration(*s.Bound) <= defaultCeiling.D(); checked != (s.Clock == record.ClockChecked) {
				t.Errorf("after %s: %+v", at, s)
			}
		}
		last := r.holds(t)
		grown := time.Duration(*last.Bound) - first
		if want := 8640 * time.Millisecond; (grown - want).Abs() > 20*time.Millisecond {
			t.Errorf("in a day the bound has grown by %s, not by %s", grown, want)
		}
		if off := time.Until(last.UTC.Time()); off < 7*time.Second {
			t.Errorf("the stamp is %s off: this clock does not drift", off)
		}
		if want := (defaultCeiling.D() - first) * 10_000; (holdover - want).Abs() > 11*time.Minute {
			t.Errorf("holdover began after %s, not %s", holdover, want)
		}
		if r.condition(health.ClockHoldover, "clock") == nil {
			t.Errorf("%v", r.board.List())
		}
		questions := b.count("a.example")
		if most := 24*3600/64 + 60; questions > most {
			t.Errorf("a silent server was asked %d times in a day, more than every 64 s", questions)
		}
		b.set(answers)
		time.Sleep(2 * time.Minute)
		if s := r.holds(t); s.Clock != record.ClockChecked || time.Duration(*s.Bound) > 50*time.Millisecond || r.condition(health.ClockHoldover, "clock") != nil {
			t.Errorf("after the servers came back: %+v, %v", s, r.board.List())
		}
		list := r.pages.all()
		var states []string
		for _, e := range list {
			states = append(states, e.State)
		}
		if len(list) != 3 || states[0] != record.ClockChecked || states[1] != record.ClockHoldover || states[2] != record.ClockChecked || list[2].Step[:3] != "-7." {
			t.Errorf("entries: %v %+v", states, list[len(list)-1])
		}
	})
}

// TestAgreementSlowsThePolling counts the questions of a good day.
func TestAgreementSlowsThePolling(t *testing.T) {
	inBubble(t, threeServers, 20, answers, func(t *testing.T, b *bubble, r *running) {
		time.Sleep(24 * time.Hour)
		if s := r.holds(t); s.Clock != record.ClockChecked {
			t.Errorf("%+v", s)
		}
		// A burst of 4, then after 64, 128, 256, 512 s, then every 1024 s.
		if n, want := b.count("a.example"), 4+4+(86400-6-64-128-256-512)/1024; n < want-2 || n > want+2 {
			t.Errorf("%d questions, not about %d", n, want)
		}
		if n := len(r.pages.all()); n != 1 {
			t.Errorf("%d entries on a day on which nothing happened", n)
		}
	})
}

// TestAKissOfDeathSlowsThePolling has one server say RATE for a day, another DENY, and the rest answer.
func TestAKissOfDeathSlowsThePolling(t *testing.T) {
	cfg := Config{Servers: []string{"a.example", "b.example", "c.example", "rate.example", "deny.example"}}
	kisses := func(server string, a *ntp.Response) error {
		if code := map[string]string{"rate.example": "RATE", "deny.example": "DENY"}[server]; code != "" {
			a.Stratum, a.Leap, a.KissCode = 0, ntp.LeapNotInSync, code
		}
		return nil
	}
	inBubble(t, cfg, 20, kisses, func(t *testing.T, b *bubble, r *running) {
		time.Sleep(24*time.Hour - time.Minute)
		rate, deny, others := b.count("rate.example"), b.count("deny.example"), b.count("a.example")
		if rate > 8 || rate < 3 || deny != 1 || others < 80 {
			t.Errorf("in a day RATE was asked %d times, DENY %d times, the others %d times", rate, deny, others)
		}
		if s := r.holds(t); s.Clock != record.ClockChecked || s.Sources != 3 {
			t.Errorf("%+v", s)
		}
		b.set(answers)
		time.Sleep(37 * time.Hour)
		if f := r.Facts(); f.Sources != 5 || f.Servers[3].Verdict != Agreeing || f.Servers[4].Verdict != Agreeing {
			t.Errorf("after both have come round: %+v", f)
		}
	})
}

// TestAnotherConfigurationAppliesAtOnce exchanges two servers and the ceiling while the clock runs.
func TestAnotherConfigurationAppliesAtOnce(t *testing.T) {
	inBubble(t, threeServers, 0, answers, func(t *testing.T, b *bubble, r *running) {
		time.Sleep(time.Minute)
		r.Change(Config{Servers: []string{"a.example"}, Ceiling: 1})
		r.Change(Config{Servers: []string{"a.example", "d.example", "e.example"}, Ceiling: defaultCeiling, DriftPPM: 300})
		time.Sleep(time.Minute)
		f := r.Facts()
		if f.State != record.ClockChecked || f.Sources != 3 || f.Servers[1].Address != "d.example" || b.count("d.example") == 0 || f.DeclaredPPM != 300 {
			t.Errorf("%+v", f)
		}
		n := b.count("b.example")
		r.Change(Config{})
		time.Sleep(6 * time.Hour)
		if s := r.holds(t); s.Clock != record.ClockHoldover || b.count("b.example") != n {
			t.Errorf("without servers: %+v", s)
		}
	})
}

// TestTheEndSaysWhatWasNotRecorded has the journal refuse everything: stamps go on, and the end says what is missing.
func TestTheEndSaysWhatWasNotRecorded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &bubble{start: time.Now(), asked: map[string]int{}, how: answers}
		p := &pages{fail: context.DeadlineExceeded}
		c, err := newClock(threeServers, Deps{Recorder: p, Health: health.New(time.Now)}, ticker{read: b.read, raw: b.raw}, b.ask)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- c.Run(ctx) }()
		time.Sleep(time.Minute)
		if s := c.stamp(time.Now(), time.Now()); s.Clock != record.ClockChecked {
			t.Errorf("%+v", s)
		}
		cancel()
		asked := time.Now()
		if err := <-ended; err == nil || time.Since(asked) > drainLimit {
			t.Errorf("%v after %s", err, time.Since(asked))
		}
	})
}
