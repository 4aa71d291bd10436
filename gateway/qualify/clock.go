package qualify

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// watch is a clock of the tests' own: it asks the configured servers itself, as the daemon does.
type watch struct {
	clock *clock.Clock
	cfg   clock.Config
}

// noJournal takes what the clock would record, and keeps nothing: the daemon's clock records.
type noJournal struct{}

func (noJournal) Append(context.Context, ...record.Body) ([]record.Entry, error) { return nil, nil }

const (
	askTime   = 2 * time.Second // of a server, where nothing else is configured
	agreeTime = 3 * time.Second // beyond two questions
	lookEvery = 20 * time.Millisecond
)

// startWatch asks the servers, and waits until each has a verdict or the time for that is over. end ends it.
func startWatch(ctx context.Context, cfg clock.Config) (w *watch, end func(), err error) {
	w = &watch{cfg: cfg}
	if w.clock, err = clock.New(cfg, clock.Deps{Recorder: noJournal{}, Health: health.New(time.Now)}); err != nil {
		return nil, nil, err
	}
	running, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = w.clock.Run(running) // it records nothing
	}()
	limit := time.Now().Add(2*max(cfg.Timeout.D(), askTime) + agreeTime)
	for !w.settled() && time.Now().Before(limit) && ctx.Err() == nil {
		time.Sleep(lookEvery)
	}
	return w, func() { stop(); <-ended }, nil
}

// settled says whether there is nothing more to wait for.
func (w *watch) settled() bool {
	f := w.clock.Facts()
	for _, s := range f.Servers {
		if s.Verdict == clock.Silent {
			return false
		}
	}
	return len(f.Servers) == 0 || f.State == record.ClockChecked
}

func (w *watch) now() record.Stamp { return w.clock.Stamp(time.Now()) }

// clocks are the tests of the clock.
func (u *run) clocks() (list []planned) {
	for i, server := range u.Config.Clock.Servers {
		list = append(list, planned{"clock.server." + server, func(_ context.Context, t *try) { u.timeServer(t, i) }})
	}
	return append(list, planned{"clock.stamp", u.stamp})
}

// timeServer tells how one server was judged.
func (u *run) timeServer(t *try, i int) {
	s := u.watch.clock.Facts().Servers[i]
	t.tried("Asked %s over NTP (RFC 5905), together with the other configured servers.", s.Address)
	t.expected("An answer whose interval covers what most servers agree on: %q.", clock.Agreeing)
	if s.Offset != nil {
		t.saw("Offset from this computer's clock %s s, may be wrong by %s s, %s.", text(*s.Offset), text(*s.Distance), s.Verdict)
	} else {
		t.saw("No answer that can be used: %s.", s.Verdict)
	}
	if s.Verdict != clock.Agreeing {
		why := s.Why
		if why == "" {
			why = "no reason is known"
		}
		t.fail("The server is judged %q: %s.", s.Verdict, why)
	}
}

// text writes a length of time as the clock does.
func text(s clock.Seconds) string {
	b, err := s.MarshalJSON()
	if err != nil {
		return err.Error()
	}
	return string(b)
}

// stamp holds a stamp against the ceiling, by a clock of our own and by the daemon's.
func (u *run) stamp(ctx context.Context, t *try) {
	facts := u.watch.clock.Facts()
	t.tried("Took a stamp, and asked the running daemon how its clock is.")
	t.expected("The state %q, with an error bound of at most %s s.", record.ClockChecked, span(facts.Ceiling))
	if len(u.Config.Clock.Servers) == 0 {
		t.notDone("No time server is configured: every stamp is by the computer's own clock, and says unchecked. Name three or more under clock: servers.")
		return
	}
	s := u.watch.now()
	judgeStamp(t, "A stamp taken here", s.Clock, s.Bound, facts.Ceiling, facts.Why)
	if u.Daemon == nil {
		t.saw("No daemon runs: the stamps that it gives were not looked at.")
		return
	}
	status, _, answer, err := u.Daemon.Ask(ctx, http.MethodGet, "/api/v1/clock", nil)
	var of struct {
		State   string       `json:"state"`
		Why     string       `json:"why"`
		Bound   *record.Span `json:"bound_s"`
		Ceiling record.Span  `json:"ceiling_s"`
	}
	if err == nil && status == http.StatusOK {
		err = json.Unmarshal(answer, &of)
	}
	if err != nil || status != http.StatusOK {
		t.fail("The daemon does not say how its clock is: %s.", outcome(status, err))
		return
	}
	judgeStamp(t, "The daemon's clock", of.State, of.Bound, of.Ceiling, of.Why)
}

func judgeStamp(t *try, whose, state string, bound *record.Span, ceiling record.Span, why string) {
	known := "no error bound is known"
	if bound != nil {
		known = "± " + span(*bound) + " s"
	}
	t.saw("%s: %s, %s.", whose, state, known)
	switch {
	case state != record.ClockChecked:
		t.fail("%s is %q and not %q: %s", whose, state, record.ClockChecked, why)
	case bound == nil || *bound > ceiling:
		t.fail("%s may be wrong by more than the ceiling of %s s.", whose, span(ceiling))
	}
}

func span(s record.Span) string { return fmt.Sprintf("%.6f", time.Duration(s).Seconds()) }

// outcome says what came of a request that did not go well.
func outcome(status int, err error) string {
	if err != nil {
		return err.Error()
	}
	return fmt.Sprintf("status %d", status)
}
