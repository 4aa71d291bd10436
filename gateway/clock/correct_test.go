package clock

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// recorded is an entry of a made-up journal: when it really was, and what its stamp says.
type recorded struct {
	truth time.Time
	stamp record.Stamp
}

// ledger is a world that also records.
type ledger struct {
	*world
	list []recorded
}

func newLedger(t testing.TB, truth, wall time.Time) *ledger {
	t.Helper()
	l := &ledger{world: newWorld(t, truth, wall, threeServers)}
	l.clock.head = func() uint64 { return uint64(len(l.list)) }
	l.clock.book.head = l.clock.head
	r := l.clock.ticker.read()
	l.clock.anew(&r, false)
	return l
}

// weigh records an entry now.
func (l *ledger) weigh() {
	m := l.moment()
	l.list = append(l.list, recorded{m.truth, l.clock.stamp(m.now, m.wall)})
}

// seconds lets time pass with a look each second and an entry in each of them.
func (l *ledger) seconds(n int) {
	for range n {
		l.pass(400 * time.Millisecond)
		l.weigh()
		l.pass(600 * time.Millisecond)
		l.look()
	}
}

// corrections are those of the book, with the last sequence filled in as on the way to the journal.
func (l *ledger) corrections(t *testing.T) []*record.ClockCorrected {
	t.Helper()
	list := only[*record.ClockCorrected](l.clock.book.waiting)
	for _, c := range list {
		if c.To == 0 {
			c.To = l.clock.head()
		}
		if c.By.By != record.ActorSoftware || c.Why == "" || c.Stamp.Clock == "" {
			t.Errorf("%+v", c)
		}
	}
	return list
}

// judge holds every corrected stamp against the truth, and gives how many there are.
func (l *ledger) judge(t *testing.T) (corrected int) {
	t.Helper()
	list := l.corrections(t)
	for i, e := range l.list {
		for _, c := range list {
			if !c.Covers(uint64(i+1), e.stamp) {
				continue
			}
			corrected++
			if off := e.stamp.UTC.Time().Add(time.Duration(c.Offset)).Sub(e.truth); off.Abs() > time.Duration(c.Bound)+time.Microsecond {
				t.Errorf("entry %d, stamped %s (%s) at %s, is corrected by %s to %s off, and %s is claimed", i+1, e.stamp.UTC, e.stamp.Clock,
					e.truth.Format(time.RFC3339Nano), c.Offset, off, time.Duration(c.Bound))
			}
		}
	}
	return corrected
}

// TestStampsBeforeTheFirstAgreementAreCorrected: a computer that started 90 s ahead, one whose clock was set meanwhile, one that
// a time daemon slews, and one whose clock was right.
func TestStampsBeforeTheFirstAgreementAreCorrected(t *testing.T) {
	for _, c := range []struct {
		what    string
		wall    time.Duration // of the computer's clock ahead of the truth
		do      func(l *ledger)
		entries int // corrections
		least   int // corrected stamps
	}{
		{"ahead", 90 * time.Second, func(l *ledger) { l.seconds(60) }, 1, 60},
		{"behind by years", -8 * 365 * 24 * time.Hour, func(l *ledger) { l.seconds(20) }, 1, 20},
		{"set right and wrong again", time.Hour, func(l *ledger) {
			l.seconds(20)
			l.wall = l.wall.Add(-time.Hour)
			l.seconds(20)
			l.wall = l.wall.Add(-30 * time.Second)
			l.seconds(20)
		}, 2, 37},
		{"slewed", 10 * time.Second, func(l *ledger) { l.slew = -50_000; l.seconds(100); l.slew = 0; l.seconds(3) }, 1, 100},
		{"asleep", 10 * time.Second, func(l *ledger) { l.seconds(10); l.sleep(time.Hour, time.Second); l.seconds(10) }, 2, 19},
		{"right", 3 * time.Millisecond, func(l *ledger) { l.seconds(30) }, 0, 0},
	} {
		t.Run(c.what, func(t *testing.T) {
			l := newLedger(t, noon, noon.Add(c.wall))
			l.look()
			c.do(l)
			l.round(near, three(0)...)
			l.seconds(5)
			list := l.corrections(t)
			n := l.judge(t)
			if len(list) != c.entries || n < c.least {
				t.Errorf("%d corrections of %d stamps: %+v", len(list), n, list)
			}
			for _, e := range l.list[len(l.list)-5:] {
				if e.stamp.Clock != record.ClockChecked {
					t.Errorf("%+v", e.stamp)
				}
			}
		})
	}
}

// TestStampsThatTheServersContradictAreCorrectedHonestly: a virtual machine that was frozen for 10 s between two agreements. When
// in between is not known, and the bound says so.
func TestStampsThatTheServersContradictAreCorrectedHonestly(t *testing.T) {
	for _, frozen := range []time.Duration{10 * time.Second, -10 * time.Second} {
		l := newLedger(t, noon, noon)
		l.round(near, three(0)...)
		l.seconds(30)
		l.truth = l.truth.Add(frozen) // nothing of the computer's noticed
		l.seconds(30)
		l.round(near, three(0)...)
		l.seconds(5)
		list := l.corrections(t)
		if len(list) != 1 || !strings.Contains(list[0].Why, "the middle is given") {
			t.Fatalf("%+v", list)
		}
		c := list[0]
		if c.From != 1 || c.To != 60 || time.Duration(c.Offset).Abs() < 4900*time.Millisecond || time.Duration(c.Bound) > 5200*time.Millisecond {
			t.Errorf("%+v", c)
		}
		if n := l.judge(t); n != 60 {
			t.Errorf("%d stamps are corrected", n)
		}
	}
}

// TestCorrectionsAreTrueWhateverHappened: a random story; every corrected stamp is as near to the truth as it claims.
func TestCorrectionsAreTrueWhateverHappened(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 1))
	total := 0
	for range 60 {
		l := newLedger(t, noon, noon.Add(time.Duration(rnd.Int64N(int64(4*time.Hour)))-2*time.Hour))
		l.drift = float64(rnd.IntN(180) - 90)
		for range 12 {
			switch rnd.IntN(7) {
			case 0: // the clock is set by a minute or more: less than what a stamp may be early cannot be told from it
				l.wall = l.wall.Add(time.Duration(1+rnd.IntN(50)) * time.Minute)
			case 1:
				l.sleep(time.Duration(1+rnd.IntN(3600))*time.Second, time.Duration(rnd.IntN(150))*time.Millisecond) // twelve of them stay within the error of one
			case 2:
				l.slew = float64(rnd.IntN(1000) - 500)
			case 3:
				l.round(near, three(0)...)
			case 4:
				if l.clock.anchor.Load() != nil { // before, nothing could show that the raw clock stood still
					l.truth = l.truth.Add(time.Duration(rnd.IntN(20)) * time.Second)
				}
			default:
				l.seconds(1 + rnd.IntN(30))
			}
		}
		l.round(near, three(0)...)
		total += l.judge(t)
		if t.Failed() {
			break
		}
	}
	if total < 1000 {
		t.Errorf("only %d stamps were corrected", total)
	}
}
