package port_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
)

func TestOneTurnAtATimeAndInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var turns port.Turns
		first, err := turns.Take(t.Context(), "first", time.Second)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		var wait sync.WaitGroup
		for i := range 20 {
			wait.Go(func() {
				turn, err := turns.Take(t.Context(), fmt.Sprint("n", i), time.Second)
				if err != nil {
					t.Error(err)
					return
				}
				got = append(got, turns.Holder()) // whoever has the turn is alone here: the race detector says so
				turn.Done()
			})
			synctest.Wait()
		}
		if turns.Holder() != "first" {
			t.Errorf("while the first has it the holder is %q", turns.Holder())
		}
		first.Done()
		wait.Wait()
		for i, who := range got {
			if who != fmt.Sprint("n", i) {
				t.Errorf("turn %d went to %s", i, who)
			}
		}
		if len(got) != 20 || turns.Holder() != "" {
			t.Errorf("%d turns, and then held by %q", len(got), turns.Holder())
		}
	})
}

func TestATurnEndsByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var turns port.Turns
		began := time.Now()
		lazy, err := turns.Take(t.Context(), "lazy", 3*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		next, err := turns.Take(t.Context(), "next", 0)
		if err != nil {
			t.Fatal(err)
		}
		if took := time.Since(began); took != 3*time.Second {
			t.Errorf("the next waited %v for a turn of 3s", took)
		}
		<-lazy.Over()
		lazy.Done() // late, and again: must not end the turn of another
		lazy.Done()
		if turns.Holder() != "next" {
			t.Errorf("a late Done ended another's turn: held by %q", turns.Holder())
		}
		<-next.Over()
		if took := time.Since(began); took != 3*time.Second+port.LongestTurn {
			t.Errorf("a turn without a limit lasted until %v", took)
		}
	})
}

func TestWhoGivesUpWaitingIsLeftOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var turns port.Turns
		first, _ := turns.Take(t.Context(), "first", time.Minute)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if _, err := turns.Take(ctx, "impatient", time.Minute); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("said %v", err)
		}
		first.Done()
		if turns.Holder() != "" {
			t.Errorf("held by %q, who has gone", turns.Holder())
		}
		if _, err := turns.Take(ctx, "late", time.Minute); err == nil {
			t.Error("a turn was given to one whose context had ended")
		}
	})
}

func TestTooManyWaitingAreTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var turns port.Turns
		ctx, cancel := context.WithCancel(t.Context())
		first, _ := turns.Take(ctx, "first", time.Minute)
		defer first.Done()
		for range 64 {
			go func() { _, _ = turns.Take(ctx, "waiting", time.Minute) }()
		}
		synctest.Wait()
		if _, err := turns.Take(ctx, "one more", time.Minute); !errors.Is(err, port.ErrCrowded) {
			t.Errorf("said %v", err)
		}
		cancel()
	})
}

// Giving up and being served may fall together: the turn must then not stay with one who has gone.
func TestGivingUpJustAsTheTurnComes(t *testing.T) {
	var turns port.Turns
	var served atomic.Int64
	for range 2000 {
		first, err := turns.Take(t.Context(), "first", time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			if turn, err := turns.Take(ctx, "second", time.Minute); err == nil {
				served.Add(1)
				turn.Done()
			}
		}()
		go cancel()
		first.Done()
		<-done
		if who := turns.Holder(); who != "" {
			t.Fatalf("held by %q, who has gone", who)
		}
	}
	t.Logf("served %d of 2000", served.Load())
}

func TestNoTurnsMeansAlwaysFree(t *testing.T) {
	var turns *port.Turns
	one, err := turns.Take(t.Context(), "one", time.Second)
	if err != nil {
		t.Fatal(err)
	}
	other, err := turns.Take(t.Context(), "other", time.Second)
	if err != nil {
		t.Fatal(err)
	}
	one.Done()
	other.Done()
	<-one.Over()
	if turns.Holder() != "" {
		t.Error("somebody holds nothing")
	}
}
