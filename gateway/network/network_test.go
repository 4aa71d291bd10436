package network

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestANetworkThatStaysAwayIsACondition(t *testing.T) {
	sink := health.Condition{Code: health.SinkUnreachable, Subject: "lake", From: health.Through("lake.example")}
	synctest.Test(t, func(t *testing.T) {
		board := health.New(time.Now)
		var away atomic.Bool
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); Watch{Board: board, Up: func() bool { return !away.Load() }}.Run(ctx) }()
		after := func(d time.Duration, want bool) {
			t.Helper()
			time.Sleep(d)
			synctest.Wait()
			board.Raise(sink) // which is listed by itself, or under the network
			list := board.List()
			if gone := list[0].Code == health.NetworkGone; len(list) != 1 || gone != want {
				t.Errorf("%+v, want the network gone: %v", list, want)
			}
			board.Clear(sink.Code, sink.Subject)
			if list := board.List(); len(list) != 0 {
				t.Errorf("%+v, and nothing needs the network", list)
			}
		}
		after(time.Minute, false)
		away.Store(true)
		after(lookEvery, false) // may be a new address
		away.Store(false)
		after(lookEvery, false)
		away.Store(true)
		after((settling+2)*lookEvery, true)
		away.Store(false)
		after(lookEvery, false)
		away.Store(true)
		after(time.Minute, true)
		cancel()
		<-done
		board.Raise(sink)
		if list := board.List(); list[0].Code != sink.Code {
			t.Errorf("after the stop: %+v", list)
		}
	})
}
