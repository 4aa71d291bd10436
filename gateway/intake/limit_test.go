package intake

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// A megabyte of noise over ten minutes is at most 21 entries a minute, and nothing of it is a weight.
func TestNoiseCannotFillTheDisk(t *testing.T) {
	for name, line := range map[string]func(*rand.Rand) []byte{
		"random bytes": func(r *rand.Rand) []byte {
			b := make([]byte, 1024)
			for i := range b {
				b[i] = byte(r.Uint32())
			}
			return b
		},
		"nul bytes":    func(*rand.Rand) []byte { return make([]byte, 1024) },
		"line ends":    func(*rand.Rand) []byte { return bytes.Repeat([]byte("x\n"), 64) },
		"no line ends": func(*rand.Rand) []byte { return bytes.Repeat([]byte("z"), 1024) },
	} {
		t.Run(name, func(t *testing.T) {
			seed := uint64(time.Now().UnixNano())
			t.Logf("seed %d", seed)
			synctest.Test(t, func(t *testing.T) {
				random := rand.New(rand.NewPCG(seed, 1))
				b := newBench(t, anchored, nil, nil)
				const pieces, pause = 1024, 586 * time.Millisecond // ten minutes
				if err := during(t, b, func(h port.Handler) {
					quietly(h)
					for range pieces {
						h.Bytes(line(random), port.Arrival{At: time.Now()})
						time.Sleep(pause)
						if n := b.Status().Waiting; n > 2*perMinute {
							t.Fatalf("%d entries wait", n)
						}
					}
				}); err != nil {
					t.Fatal(err)
				}
				var frames, size uint64
				entries := b.journal.bodies()[1:]
				for _, e := range entries {
					switch e := e.(type) {
					case *record.Unread:
						frames, size = frames+1, size+uint64(len(e.Frame))
					case *record.UnreadSummary:
						frames, size = frames+e.Frames, size+e.Bytes
						if len(e.Sample) > sampleSize || len(e.SHA256) != 64 || e.Reason == "" {
							t.Errorf("summary %+v", e)
						}
					default:
						t.Fatalf("noise became %+v", e)
					}
				}
				if most := 11 * (perMinute + 1); len(entries) > most || len(entries) == 0 {
					t.Errorf("%d entries in ten minutes, at most %d are allowed", len(entries), most)
				}
				if frames != b.Status().Unread || b.Status().Recorded != 0 {
					t.Errorf("the entries speak of %d frames, %d were unread", frames, b.Status().Unread)
				}
			})
		})
	}
}

func TestASummaryHasTheHashOfWhatItStandsFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		all := sha256.New()
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			for i := range 50 {
				line := fmt.Sprintf("noise %d\n", i)
				sent(h, line)
				if i >= perMinute {
					all.Write([]byte(line))
				}
			}
			time.Sleep(2 * time.Minute) // the line is silent: the summary must not wait for the next frame
			synctest.Wait()
			if n := len(b.journal.bodies()); n != 1+perMinute+1 {
				t.Errorf("%d entries after the minute", n)
			}
			sent(h, "more noise\n")
		}); err != nil {
			t.Fatal(err)
		}
		bodies := b.journal.bodies()
		s, ok := bodies[1+perMinute].(*record.UnreadSummary)
		if !ok || s.Frames != 30 || s.SHA256 != hex.EncodeToString(all.Sum(nil)) || string(s.Sample) != "noise 49\n" {
			t.Errorf("summary %+v", bodies[1+perMinute])
		}
		if u, ok := bodies[len(bodies)-1].(*record.Unread); !ok || string(u.Frame) != "more noise\n" {
			t.Errorf("the next minute begins with %+v", bodies[len(bodies)-1])
		}
	})
}

var unplugged = &port.Trouble{Code: port.CodeLost, Sentence: "The port /dev/ttyS9 went away.", Remedy: "Plug it in."}

func TestAFlappingPortIsAFewEntries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			for range 300 {
				h.Up(time.Now())
				sent(h, "W 1.5") // an unfinished line each time
				h.Down(time.Now(), unplugged)
				time.Sleep(500 * time.Millisecond)
			}
			h.Up(time.Now())
		}); err != nil {
			t.Fatal(err)
		}
		bodies := b.journal.bodies()
		up, down, dropped := 0, 0, 0
		for _, e := range bodies {
			c := e.(*record.PortChange)
			if dropped += c.Dropped; c.Up {
				up += c.Times
			} else {
				down += c.Times
			}
		}
		if last := bodies[len(bodies)-1].(*record.PortChange); !last.Up {
			t.Errorf("the last entry says that the port is down: %+v", last)
		}
		if up != 301 || down != 300 || dropped != 300*5 || len(bodies) > 3*(perMinute+2) {
			t.Errorf("up %d, down %d, dropped %d bytes, in %d entries", up, down, dropped, len(bodies))
		}
	})
}

func TestHalfALineIsNeverJoinedToTheNextLifeOfThePort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, free, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			sent(h, "12.")
			h.Down(time.Now(), unplugged)
			quietly(h)
			sent(h, "345 g\n")
		}); err != nil {
			t.Fatal(err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "port-down 1", "port-up 1", "weighing 345 g")
		if w := b.journal.bodies()[3].(*record.Weighing); w.Balance.Identity != unconfirmed {
			t.Errorf("after a lost port the identity is %s", w.Balance.Identity)
		}
	})
}

// A line that was already coming when the port was opened is no weight where its rest reads as another one.
func TestTheRestOfALineIsNoWeight(t *testing.T) {
	for _, c := range []struct {
		layout string
		silent time.Duration
		sent   string
		want   string
	}{
		{free, 0, "45 g\n678.5 g\n", "unread its beginning may be missing, weighing 678.5 g"},
		{free, time.Second, "45 g\n678.5 g\n", "weighing 45 g, weighing 678.5 g"},
		{anchored, 0, "W 45 g S\n", "weighing 45 g"},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, c.layout, nil, nil)
			if err := during(t, b, func(h port.Handler) {
				h.Up(time.Now())
				time.Sleep(c.silent)
				sent(h, c.sent)
			}); err != nil {
				t.Fatal(err)
			}
			if got := strings.Join(told(b.journal.bodies()[1:]), ", "); got != c.want {
				t.Errorf("%q after %s of silence: %s, want %s", c.sent, c.silent, got, c.want)
			}
		})
	}
}

func TestWhatIsUnfinishedAtTheStopIsJournalled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, free, nil, nil)
		if err := during(t, b, func(h port.Handler) { quietly(h); sent(h, "1.5 g\n12.3") }); err != nil {
			t.Fatal(err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 1.5 g", "unread the line was unfinished when weighpost stopped reading the port")
	})
}

func TestFramesThatKeepBeingUnreadAreACondition(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			for range 4 {
				sent(h, "hello\n")
			}
			if l := b.board.List(); len(l) != 0 {
				t.Errorf("four unread frames: %+v", l)
			}
			for range 30 {
				sent(h, "hello\n")
			}
			l := b.board.List()
			if len(l) != 1 || l[0].Code != unreadFrames || l[0].Severity != health.Warning || !strings.Contains(l[0].Sentence, "The last 20 frames of balance b-12") ||
				!strings.Contains(l[0].Remedy, "weighpost read --layout test.yaml") {
				t.Errorf("%+v", l)
			}
			sent(h, "W 1.500 g S\n")
			if l := b.board.List(); len(l) != 0 {
				t.Errorf("after a frame that was read: %+v", l)
			}
		}); err != nil {
			t.Fatal(err)
		}
	})
}

func TestAnotherBalanceIsNotRecordedUnderThisName(t *testing.T) {
	named := `line: "{balance} W {weight} {unit}"`
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, named, func(c *Config) { c.Serial, c.PrintsAs = "s-1", "PLATFORM1" }, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			sent(h, "PLATFORM1 W 1.5 g\n")
			h.Down(time.Now(), unplugged)
			quietly(h)
			sent(h, "PLATFORM2 W 2.5 g\n")
			l := b.board.List()
			if len(l) != 1 || l[0].Code != wrongBalance || l[0].Severity != health.Error || !strings.Contains(l[0].Sentence, `"PLATFORM2"`) {
				t.Errorf("%+v", l)
			}
			for _, s := range b.screen.all() {
				if s.Value != nil && s.Value.Digits == "2.5" {
					t.Error("the other balance's weight is shown under this name")
				}
			}
			sent(h, "PLATFORM1 W 3.5 g\n")
			if l := b.board.List(); len(l) != 0 {
				t.Errorf("after the right balance printed: %+v", l)
			}
		}); err != nil {
			t.Fatal(err)
		}
		bodies := b.journal.bodies()
		if len(bodies) != 6 {
			t.Fatalf("%q", told(bodies))
		}
		for i, want := range map[int]string{1: confirmed, 5: confirmed} {
			if w := bodies[i].(*record.Weighing); w.Balance.Identity != want {
				t.Errorf("entry %d: identity %s", i, w.Balance.Identity)
			}
		}
		if u, ok := bodies[4].(*record.Unread); !ok || !strings.Contains(u.Reason, `"PLATFORM2", and "PLATFORM1" is expected`) {
			t.Errorf("%+v", bodies[4])
		}
	})
}

func TestAPortThatFailsIsNamed(t *testing.T) {
	b := newBench(t, anchored, nil, func(context.Context, port.Handler) error { return errors.New("no such speed") })
	if err := b.Run(t.Context()); err == nil || err.Error() != "no such speed" {
		t.Errorf("%v", err)
	}
}
