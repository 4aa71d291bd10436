package deliver

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

func to(destination, cursor string) func(*Config, *Deps) {
	return func(c *Config, d *Deps) { c.Cursor, d.Destination = cursor, destination }
}

// TestAChangedDestinationNeedsAWord goes through what a journal may remember and what a configuration may ask for.
func TestAChangedDestinationNeedsAWord(t *testing.T) {
	const here, there = "files /srv/a", "files /srv/b"
	for _, c := range []struct {
		name           string
		goal           string
		at             uint64
		to, cursor     string
		start          uint64
		isNew, tell    bool
		refusedBecause string
	}{
		{"new", "", 0, here, "", 0, true, false, ""},
		{"new, from now on", "", 0, here, Now, 10, true, true, ""},
		{"new, from the start", "", 0, here, Start, 0, true, false, ""},
		{"new, with nothing to keep", "", 0, here, Keep, 0, true, false, ""},
		{"as before", here, 6, here, "", 6, false, false, ""},
		{"as before, start was for another time", here, 6, here, Start, 6, false, false, ""},
		{"as before, now was for another time", here, 6, here, Now, 6, false, false, ""},
		{"from an older version", "", 6, here, "", 6, true, false, ""},
		{"from an older version, and told", "", 6, here, Start, 0, true, true, ""},
		{"elsewhere, untold", here, 6, there, "", 0, true, false, "cursor: start"},
		{"elsewhere, untold, nothing was sent yet", here, 0, there, "", 0, true, false, "cursor: keep"},
		{"elsewhere, keep", here, 6, there, Keep, 6, true, true, ""},
		{"elsewhere, now", here, 6, there, Now, 10, true, true, ""},
		{"elsewhere, start", here, 6, there, Start, 0, true, true, ""},
		{"destination not said", here, 6, "", "", 6, false, false, ""},
		{"ahead of the journal", here, 11, here, "", 0, false, false, "entries are missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLog(sinktest.Weighings(10, 1)...)
			l.goal, l.cursor = c.goal, c.at
			cfg := testConfig()
			cfg.Cursor = c.cursor
			p, err := Plan(l, cfg, c.to)
			if c.refusedBecause != "" {
				var e *Elsewhere
				if err == nil || !strings.Contains(err.Error(), c.refusedBecause) {
					t.Fatalf("%+v, %v; want %q", p, err, c.refusedBecause)
				}
				if errors.As(err, &e) {
					for _, says := range []string{"sink archive", here, there, "cursor: keep", "cursor: now", "cursor: start"} {
						if !strings.Contains(err.Error(), says) {
							t.Errorf("%q does not say %q", err, says)
						}
					}
				}
				return
			}
			if want := (Place{From: c.goal, Before: c.at, Start: c.start, New: c.isNew, Tell: c.tell}); err != nil || p != want {
				t.Errorf("%+v, %v; want %+v", p, err, want)
			}
			if l.goal != c.goal || l.cursor != c.at || l.Head() != 10 {
				t.Error("planning changed something")
			}
		})
	}
}

func TestASinkThatMovedGetsWhatItsConfigurationAsksFor(t *testing.T) {
	for cursor, want := range map[string]int{Keep: 0, Now: 0, Start: 10} {
		synctest.Test(t, func(t *testing.T) {
			entries := sinktest.Weighings(10, 1)
			l := newLog(entries...)
			l.goal, l.cursor = "files /srv/a", 10
			if cursor == Now {
				l.cursor = 4 // what waited for the old destination is left out
			}
			before := l.cursor
			r := start(t, l, &fakeSink{}, to("files /srv/b", cursor))
			synctest.Wait()
			r.stop(t)
			if got := r.sink.got(); len(got) != want {
				t.Errorf("%s: %v", cursor, got)
			}
			var said record.SinkMoved
			if err := json.Unmarshal(l.entries[10].JSON, &said); err != nil {
				t.Fatal(err)
			}
			said.Head, said.Stamp = record.Head{}, record.Stamp{}
			after := map[string]uint64{Keep: 10, Now: 10, Start: 0}[cursor]
			if w := (record.SinkMoved{Sink: "archive", From: "files /srv/a", To: "files /srv/b", Cursor: cursor, Before: before, After: after}); said != w {
				t.Errorf("%s: the journal says %+v", cursor, said)
			}
			// The same configuration again is the same destination: nothing is begun twice.
			next := sinktest.Weighings(1, 2)
			next[0].Seq = uint64(len(l.entries) + 1)
			again := start(t, l, &fakeSink{}, to("files /srv/b", cursor))
			l.add(next...)
			synctest.Wait()
			again.stop(t)
			if got := again.sink.got(); len(got) != 1 || len(l.entries) != 12 {
				t.Errorf("%s, after a restart: %v, %d entries", cursor, got, len(l.entries))
			}
		})
	}
}

func TestASinkThatMovedUntoldStandsStillAndSaysWhy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog(sinktest.Weighings(10, 1)...)
		l.goal, l.cursor = "files /srv/a", 6
		r := start(t, l, &fakeSink{}, to("files /srv/b", ""))
		synctest.Wait()
		if !r.sink.closed {
			t.Error("the destination that was refused is held open")
		}
		if s := r.Status(); s.State != Stopped || s.Cursor != 6 || s.Lag != 5 {
			t.Errorf("%+v", s) // 4 weighings, and that the sink stopped
		}
		list := r.board.List()
		if len(list) != 1 || list[0].Code != CodeStopped || !strings.Contains(list[0].Sentence, "files /srv/b") {
			t.Errorf("%+v", list)
		}
		if got := l.kinds(10); !slices.Equal(got, []record.Kind{record.KindSinkStopped}) {
			t.Errorf("recorded %v", got)
		}
		l.add(sinktest.Weighings(3, 2)...)
		time.Sleep(time.Hour)
		r.stop(t)
		if len(r.sink.seen()) != 0 || l.goal != "files /srv/a" || l.cursor != 6 {
			t.Errorf("%d calls, for %q at %d", len(r.sink.seen()), l.goal, l.cursor)
		}
		// The next Runner, with a word, takes the condition back.
		next := start(t, l, &fakeSink{}, to("files /srv/b", Keep), func(_ *Config, d *Deps) { d.Board = r.board })
		synctest.Wait()
		if got := next.conditions(); len(got) != 0 || len(next.sink.got()) == 0 {
			t.Errorf("conditions %v, got %v", got, next.sink.got())
		}
		next.stop(t)
	})
}

// TestNothingGoesOutBeforeThePlaceIsRecorded: with now, a crash could otherwise skip what came in between.
func TestNothingGoesOutBeforeThePlaceIsRecorded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog(sinktest.Weighings(10, 1)...)
		l.goal, l.cursor, l.full = "files /srv/a", 4, true
		r := start(t, l, &fakeSink{}, to("files /srv/b", Keep))
		time.Sleep(time.Minute)
		if len(r.sink.seen()) != 0 {
			t.Error("entries went out")
		}
		l.locked(func() { l.full = false })
		time.Sleep(2 * time.Minute)
		if got := r.sink.got(); len(got) != 6 {
			t.Errorf("got %v", got)
		}
		r.stop(t)
		waiting := start(t, l, &fakeSink{}, to("files /srv/c", Keep), func(*Config, *Deps) { l.full = true })
		time.Sleep(time.Minute)
		waiting.stop(t) // ends although the place was never recorded
	})
}

func TestWhatIsSetAsideIsSaidAgainAfterARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(10, 1)
		s := &fakeSink{}
		s.takes(refuses(entries[2].ID, entries[5].ID))
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		r.stop(t)
		again := start(t, r.log, &fakeSink{})
		synctest.Wait()
		list := again.board.List()
		if len(list) != 1 || list[0].Code != CodeParked || again.Status().Parked != 2 ||
			!strings.Contains(list[0].Sentence, ": 2. The last one is "+entries[5].ID+": unknown lot") {
			t.Errorf("%+v, %+v", list, again.Status())
		}
		again.stop(t)
	})
}

func TestForgetTakesBackWhatWasSaidOfOneSink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		s.takes(denies)
		r := start(t, newLog(sinktest.Weighings(2, 1)...), s)
		synctest.Wait()
		Forget(r.board, "another")
		if got := r.conditions(); !slices.Equal(got, []string{CodeStopped}) {
			t.Errorf("conditions %v", got)
		}
		r.stop(t)
		Forget(r.board, "archive")
		if got := r.conditions(); len(got) != 0 {
			t.Errorf("conditions %v", got)
		}
	})
}

func TestCursorIsOneOfThreeWords(t *testing.T) {
	for word, ok := range map[string]bool{"": true, Keep: true, Now: true, Start: true, "begin": false, "Start": false} {
		c := testConfig()
		c.Cursor = word
		r := strict.NewReport("test")
		c.Check(r)
		if (len(r.Faults()) == 0) != ok {
			t.Errorf("%q: %v", word, r.Faults())
		}
	}
}
