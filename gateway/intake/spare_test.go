package intake

import (
	"testing"

	"weighpost/gateway/record"
)

// A burst of one balance takes of the spare what the others leave, gives it back as it is recorded, and what does not fit
// is counted and stays behind what does.
func TestABurstTakesOfTheSpareAndGivesItBack(t *testing.T) {
	spare := &Spare{}
	spare.left.Store(1000)
	a, b := newOutbox(spare), newOutbox(spare)
	fill := func(o *outbox, n int) (fitted int) {
		for range n {
			before, _ := o.count()
			o.put(&record.PortChange{}, record.About{}, record.Stamp{})
			if after, _ := o.count(); after > before {
				fitted++
			}
		}
		return fitted
	}
	if n := fill(a, room+800); n != room+800 {
		t.Errorf("%d fitted, want all", n)
	}
	if n := fill(b, room+300); n != room+200 {
		t.Errorf("%d of the other fitted, want %d", n, room+200)
	}
	a.done(300, "")
	if left := spare.left.Load(); left != 300 {
		t.Errorf("%d of the spare are left, want 300", left)
	}
	if n := fill(b, 10); n != 0 {
		t.Errorf("%d passed those that are counted", n)
	}
	if waiting, unkept := b.end(); waiting != room+200 || unkept != 110 || spare.left.Load() != 500 {
		t.Errorf("at the end %d wait, %d are counted, %d of the spare are left", waiting, unkept, spare.left.Load())
	}
	a.done(room+500, "")
	if left := spare.left.Load(); left != 1000 {
		t.Errorf("%d of the spare are left, want all", left)
	}
}
