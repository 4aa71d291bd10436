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
