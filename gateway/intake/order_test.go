package intake

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// sets asks for a sample as if the request had arrived at a time.
func sets(t *testing.T, b *bench, id string, at time.Time) error {
	t.Helper()
	_, err := b.SetContext(t.Context(), record.ContextRequest{Sample: &record.ContextItem{ID: id}, By: record.BySent, Where: "test", At: at})
	return err
}

// arrives is what SetContext does once a request has been announced (arriving is up by one): between the two there is no
// moment at which nothing seems to be on its way.
func arrives(b *bench, id string, at time.Time) error {
	_, done, _, err := b.request(record.ContextRequest{Sample: &record.ContextItem{ID: id}, By: record.BySent, Where: "test", At: at})
	if err == nil {
		<-done.id
	}
	return err
}

// story gives the entries in short, weighings with their sample and the rules that they fail, changes with their cause.
func story(bodies []record.Body) (out []string) {
	for _, body := range bodies {
		switch e := body.(type) {
		case *record.Weighing:
			text := e.Value.Digits + ":" + sampleOf(e)
			for _, v := range e.Verdicts {
				if !v.Pass {
					text += " !" + v.Rule
				}
			}
			out = append(out, text)
		case *record.ContextChange:
			id := func(c record.Context) string {
				if c.Sample == nil {
					return "-"
				}
				return c.Sample.ID
			}
			out = append(out, e.Cause+" "+id(e.Before)+">"+id(e.After))
		}
	}
	return out
}

// The rule of the package's doc, case by case. A line prints for 12.5 ms at 9600 bits a second; each case has a print and a
// request, times in ms after a start, and the order in which the two are dealt with.
func TestWhichOfTheTwoCameFirst(t *testing.T) {
	const print = "W 1.000 g S\n"
	for _, c := range []struct {
		name                string
		asked, empty, heard int  // the request; when the balance was last seen silent; when its line was read
		printFirst          bool // dealt with
		coming              bool // the request was known to be on its way
		want                []string
		holds               bool // LOT-1 waits for a later weighing
	}{
		{"a request long before", 0, 500, 1000, false, false, []string{"set ->LOT-1", "1.000:LOT-1"}, false},
		{"a request after, dealt with before", 1010, 900, 1000, false, false, []string{"set ->LOT-1", "1.000:"}, true},
		{"a request after", 1010, 900, 1000, true, false, []string{"1.000:", "set ->LOT-1"}, true},
		{"a request before, dealt with after, known to be on its way", 0, 500, 1000, true, true, []string{"set ->LOT-1", "1.000:LOT-1"}, false},
		{"a request before, dealt with after the weighing has gone", 0, 500, 1000, true, false, []string{"1.000:", "refused ->-"}, false},
		{"a request within a stall", 700, 500, 1000, false, false, []string{"set ->LOT-1", "refused LOT-1>-", "1.000: !context-order"}, false},
		{"a request within a stall, dealt with after", 700, 500, 1000, true, true, []string{"1.000: !context-order", "refused ->-"}, false},
		{"a request while the line was on the wire", 995, 994, 1000, false, false, []string{"set ->LOT-1", "refused LOT-1>-", "1.000: !context-order"}, false},
		{"a request just before the wire", 987, 994, 1000, false, false, []string{"set ->LOT-1", "1.000:LOT-1"}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, anchored, nil, nil)
				if err := during(t, b, func(h port.Handler) {
					quietly(h)
					start := time.Now()
					at := func(ms int) time.Time { return start.Add(time.Duration(ms) * time.Millisecond) }
					time.Sleep(1020 * time.Millisecond) // both have arrived, and neither was dealt with
					heard := func() { h.Bytes([]byte(print), port.Arrival{At: at(c.heard), Emptied: at(c.empty)}) }
					if c.coming {
						b.arriving.Add(1)
					}
					if c.printFirst {
						heard()
						synctest.Wait()
					}
					if !c.coming {
						b.arriving.Add(1)
					}
					err := arrives(b, "LOT-1", at(c.asked))
					if refused := slices.Contains(c.want, "refused ->-"); refused != (err != nil) {
						t.Errorf("answered %v", err)
					}
					if !c.printFirst {
						heard()
					}
					time.Sleep(time.Second)
					if got := story(b.journal.bodies()); !slices.Equal(got, c.want) {
						t.Errorf("entries %q, want %q", got, c.want)
					}
					sent(h, "W 2.000 g S\n")
					time.Sleep(time.Second)
					got := story(b.journal.bodies())
					want := "2.000:"
					if c.holds {
						want += "LOT-1"
					}
					if got[len(got)-1] != want {
						t.Errorf("the next weighing is %q, want %q", got[len(got)-1], want)
					}
					if alarm := slices.ContainsFunc(b.board.List(), func(c health.Condition) bool { return c.Code == contextRefused }); alarm != (c.asked == 700 && !c.printFirst || c.asked == 995) {
						t.Errorf("conditions %+v", b.board.List())
					}
				}); err != nil {
					t.Fatal(err)
				}
			})
		})
	}
}

// A request before two prints, dealt with after both: the first gets the only use.
func TestALateRequestIsSpentOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			if err := sets(t, b, "LOT-0", time.Now()); err != nil {
				t.Error(err)
			}
			time.Sleep(time.Second)
			asked := time.Now()
			time.Sleep(time.Second)
			b.arriving.Add(1)
			sent(h, "W 1.000 g S\n")
			time.Sleep(100 * time.Millisecond)
			sent(h, "W 2.000 g S\n")
			if err := arrives(b, "LOT-1", asked); err != nil {
				t.Error(err)
			}
			time.Sleep(time.Second)
		}); err != nil {
			t.Fatal(err)
		}
		want := []string{"set ->LOT-0", "set ->LOT-1", "1.000:LOT-1", "2.000:"}
		if got := story(b.journal.bodies()); !slices.Equal(got, want) {
			t.Errorf("entries %q, want %q", got, want)
		}
	})
}

// A request that never arrives holds a weighing up for a quarter of a second; then it goes without.
func TestNothingWaitsForEver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			if err := sets(t, b, "LOT-1", time.Now()); err != nil {
				t.Error(err)
			}
			time.Sleep(time.Second)
			b.arriving.Add(1)
			sent(h, "W 1.000 g S\n")
			time.Sleep(openLimit - 10*time.Millisecond)
			if n := len(story(b.journal.bodies())); n != 1 {
				t.Errorf("%d entries before the limit", n)
			}
			time.Sleep(20 * time.Millisecond)
			want := []string{"set ->LOT-1", "1.000: !context-order"}
			if got := story(b.journal.bodies()); !slices.Equal(got, want) {
				t.Errorf("entries %q, want %q", got, want)
			}
			b.arriving.Add(-1)
		}); err != nil {
			t.Fatal(err)
		}
	})
}

// Reads of a frame that comes in very many pieces are merged, and its beginning is not forgotten.
func TestTheBeginningOfALongFrame(t *testing.T) {
	var a arrivals
	start := time.Now()
	at := func(i int) time.Time { return start.Add(time.Duration(i) * time.Millisecond) }
	for i := range 5000 {
		a.note(int64(i+1), 1, at(10*i+5), at(10*i), time.Millisecond)
	}
	if len(a.heard) > mostHeard {
		t.Errorf("%d reads are kept", len(a.heard))
	}
	if m := a.first(0); m.lo.After(at(0)) || m.hi.Before(at(5)) || m.hi.After(at(50_000)) {
		t.Errorf("the first byte came from %s to %s", m.lo.Sub(start), m.hi.Sub(start))
	}
	if m := a.first(4999); !m.hi.Equal(at(49_995)) || !m.lo.Equal(at(49_990)) {
		t.Errorf("the last byte came from %s to %s", m.lo.Sub(start), m.hi.Sub(start))
	}
	a.forget(4999)
	a.look(at(60_000))
	a.note(5001, 1, at(60_005), at(49_996), time.Millisecond)
	if m := a.first(5000); !m.lo.Equal(at(60_000)) {
		t.Errorf("a look at %d ms does not count: from %s", 60_000, m.lo.Sub(start))
	}
	a.note(5002, 1, at(70_000), time.Time{}, time.Millisecond)
	if m := a.first(5001); !m.lo.Equal(at(70_000 - 50)) {
		t.Errorf("a port that cannot tell: from %s", m.lo.Sub(start))
	}
}

// A weighing for which there is no room leaves nothing behind that would let a later one go too early.
func TestAWeighingWithoutRoomBarsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		b.journal.hold = make(chan struct{})
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			for range room {
				sent(h, "W 1.000 g S\n")
			}
			b.arriving.Add(1)
			sent(h, "W 2.000 g S\n") // no room
			b.arriving.Add(-1)
			close(b.journal.hold)
			time.Sleep(time.Second)
			before := len(b.journal.bodies())
			asked := time.Now()
			time.Sleep(time.Second)
			b.arriving.Add(1)
			sent(h, "W 3.000 g S\n")
			time.Sleep(10 * time.Millisecond)
			synctest.Wait()
			if n := len(b.journal.bodies()); n != before {
				t.Errorf("%d entries are journalled while a request is on its way", n-before)
			}
			if err := arrives(b, "LOT-1", asked); err != nil {
				t.Error(err)
			}
		}); err != nil {
			t.Fatal(err)
		}
		if got := story(b.journal.bodies()); got[len(got)-1] != "3.000:LOT-1" {
			t.Errorf("the last is %q", got[len(got)-1])
		}
	})
}

// What was told as expired stays so, also when a print that came before its end is dealt with after it.
func TestALatePrintRevivesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, func(c *Config) { c.Context.Sample = Hold{Idle: 10e9, Uses: -1} }, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			if err := sets(t, b, "LOT-1", time.Now()); err != nil {
				t.Error(err)
			}
			time.Sleep(9 * time.Second)
			heard := time.Now()
			time.Sleep(2 * time.Second)
			h.Bytes([]byte("W 1.000 g S\n"), port.Arrival{At: heard, Emptied: heard.Add(-time.Second)})
			if n := len(b.Context().Items); n != 0 {
				t.Errorf("%d items are held again", n)
			}
		}); err != nil {
			t.Fatal(err)
		}
		if got, want := story(b.journal.bodies()), []string{"set ->LOT-1", "expired LOT-1>-", "1.000:LOT-1"}; !slices.Equal(got, want) {
			t.Errorf("entries %q, want %q", got, want)
		}
	})
}
