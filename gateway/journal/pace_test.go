package journal

import (
	"testing"
	"time"
)

func TestPaceWaitsOnlyWhereAWaitGathers(t *testing.T) {
	began := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	soon, late := began.Add(3*time.Millisecond), began.Add(paceApart)
	var p pace
	p.began = began
	if p.wait(1, soon) != 0 || p.wait(50, late) != 0 {
		t.Error("a single request, or one long after the last commit, waits")
	}
	for range paceTrial {
		if p.wait(2, soon) != 0 {
			t.Fatal("it waits before it knows that this gathers anything")
		}
	}
	if got := p.wait(2, soon); got != paceApart-3*time.Millisecond {
		t.Errorf("the trial waits %v", got)
	}
	for range 20 {
		p.learn(12)
	}
	if p.wait(2, soon) == 0 {
		t.Error("it does not wait although twelve more come each time")
	}
	for range 20 {
		p.learn(1)
	}
	if p.wait(2, soon) != 0 {
		t.Error("it goes on waiting for one more")
	}
}

// Where a wait gathers very many, commits are twice as far apart, and again less so when it no longer does.
func TestPaceOfAVeryDenseStream(t *testing.T) {
	began := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	soon := began.Add(3 * time.Millisecond)
	p := pace{began: began}
	for _, step := range []struct {
		more int
		want time.Duration
	}{{2 * paceDense, 2*paceApart - 3*time.Millisecond}, {paceDense / 2, paceApart - 3*time.Millisecond}} {
		for range 20 {
			p.learn(step.more)
		}
		if got := p.wait(2, soon); got != step.want {
			t.Errorf("with %d more each time it waits %v, want %v", step.more, got, step.want)
		}
	}
}
