package intake

import (
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
)

// TestDamageThatIsReportedLateIsSaid: what was recorded just before stays, and a condition says that it may be wrong.
func TestDamageThatIsReportedLateIsSaid(t *testing.T) {
	b := listening(t, anchored)
	now := time.Now()
	line := func(a port.Arrival) {
		a.At = now
		b.Bytes([]byte("W 1.000 g S\n"), a)
	}
	b.Damage(now) // nothing was recorded yet
	none(t, b)
	line(port.Arrival{})
	now = now.Add(4 * time.Second)
	b.Damage(now)
	none(t, b)
	line(port.Arrival{})
	now = now.Add(1200 * time.Millisecond)
	b.Damage(now)
	if c := one(t, b, health.LateDamage); !strings.Contains(c.Sentence, "1.2 s after a weighing was recorded") {
		t.Error(c.Sentence)
	}
	now = now.Add(9 * time.Minute)
	line(port.Arrival{Vague: true}) // too late to be about the line before
	one(t, b, health.LateDamage)
	now = now.Add(2 * time.Minute)
	line(port.Arrival{})
	none(t, b)
	now = now.Add(time.Second)
	b.Bytes([]byte("W 2."), port.Arrival{At: now, Vague: true})
	one(t, b, health.LateDamage)
	if n := len(b.out.first()); n != 4 {
		t.Errorf("%d entries", n)
	}
}

// TestDamageWithoutAByteSpoilsTheFrameThatHasBegun, and none that comes after it.
func TestDamageWithoutAByteSpoilsTheFrameThatHasBegun(t *testing.T) {
	b := newBench(t, anchored, nil, nil)
	b.Up(time.Now().Add(-time.Hour))
	send := func(text string) { b.Bytes([]byte(text), port.Arrival{At: time.Now()}) }
	b.Damage(time.Now())
	send("W 1.000 g S\nW 2.")
	b.Damage(time.Now())
	send("000 g S\n")
	b.Damage(time.Now())
	send("W 3.000 g S\n")
	want := []string{"1.000", "1 of its 12 bytes arrived damaged, with a parity or framing error", "3.000"}
	if got := reasons(b.out.first()); !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
