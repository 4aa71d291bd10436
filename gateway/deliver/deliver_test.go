package deliver

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

func ids(entries []record.Entry) []string {
	var list []string
	for _, e := range entries {
		list = append(list, e.ID)
	}
	return list
}

func TestDeliversInOrderAndMovesTheCursor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(700, 1)
		r := start(t, newLog(entries[:300]...), &fakeSink{})
		synctest.Wait()
		r.log.add(entries[300:]...)
		synctest.Wait()
		if got := r.sink.got(); !slices.Equal(got, ids(entries)) {
			t.Errorf("%d of %d entries arrived, or not in order", len(got), len(entries))
		}
		for i, c := range r.sink.seen() {
			if len(c.ids) > 256 {
				t.Errorf("batch %d has %d entries", i, len(c.ids))
			}
		}
		if s := r.Status(); s.Delivered != 700 || s.Lag != 0 || s.State != Working || r.log.place() != 700 {
			t.Errorf("status %+v, cursor %d", s, r.log.place())
		}
		r.stop(t)
	})
}

func TestWaitsLongerWithEachFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		s.takes(func(context.Context, []record.Entry) (int, error) { return 0, errors.New("nobody there") })
		r := start(t, newLog(sinktest.Weighings(3, 1)...), s)
		synctest.Wait()
		if got := r.conditions(); !slices.Equal(got, []string{CodeUnreachable}) {
			t.Errorf("after the first failure: %v", got)
		}
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		calls := s.seen()
		for i, want := range []time.Duration{1, 2, 4, 8, 16, 32, 60, 60, 60} {
			want *= time.Second
			if got := calls[i+1].at.Sub(calls[i].at); got < want/2 || got > want {
				t.Errorf("wait %d was %s, want %s to %s", i+1, got, want/2, want)
			}
		}
		if st := r.Status(); st.State != Retrying || st.Why != "nobody there" || st.Lag != 3 {
			t.Errorf("status %+v", st)
		}
		s.takes(nil)
		time.Sleep(time.Minute)
		synctest.Wait()
		if got := r.conditions(); len(got) != 0 || len(s.got()) != 3 {
			t.Errorf("after it came back: %v, %d delivered", got, len(s.got()))
		}
		if got := r.log.kinds(3); len(got) != 0 {
			t.Errorf("a passing fault was recorded as %v", got)
		}
		r.stop(t)
	})
}

func TestGoesOnAfterTheLastAcceptedEntry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(5, 1)
		s := &fakeSink{}
		s.takes(func(context.Context, []record.Entry) (int, error) { return 2, errors.New("cut") })
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		if r.log.place() != 2 {
			t.Errorf("cursor at %d after two accepted entries", r.log.place())
		}
		s.takes(nil)
		time.Sleep(time.Minute)
		synctest.Wait()
		if got := s.got(); !slices.Equal(got, ids(entries)) {
			t.Errorf("got %v", got)
		}
		r.stop(t)
	})
}

func TestKeepsTheWaitOfABusyDestination(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		first := time.Now()
		s.takes(func(context.Context, []record.Entry) (int, error) {
			return 0, sinks.Busy{Err: errors.New("full house"), After: 7 * time.Minute}
		})
		r := start(t, newLog(sinktest.Weighings(1, 1)...), s)
		time.Sleep(6*time.Minute + 59*time.Second)
		synctest.Wait()
		if n := len(s.seen()); n != 1 {
			t.Errorf("%d attempts within the wait", n)
		}
		if got := r.conditions(); !slices.Equal(got, []string{CodeBusy}) {
			t.Errorf("while it waits: %v", got)
		}
		s.takes(nil)
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if got := s.seen(); len(got) != 2 || got[1].at.Sub(first) != 7*time.Minute || len(r.conditions()) != 0 {
			t.Errorf("second attempt after %s of %d; conditions %v", got[len(got)-1].at.Sub(first), len(got), r.conditions())
		}
		r.stop(t)
	})
}

func TestABusyDestinationWithoutATimeIsNotHammered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		s.takes(func(context.Context, []record.Entry) (int, error) { return 0, sinks.Busy{Err: errors.New("later")} })
		r := start(t, newLog(sinktest.Weighings(1, 1)...), s)
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if n := len(s.seen()); n > 30 {
			t.Errorf("%d attempts in ten minutes", n)
		}
		r.stop(t)
	})
}

func TestUnwantedEntriesMoveTheCursorWithoutADelivery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(6, 1)
		for _, i := range []int{0, 1, 3, 5} {
			entries[i].Kind = record.KindUnread
		}
		r := start(t, newLog(entries...), &fakeSink{})
		synctest.Wait()
		if got, want := r.sink.got(), []string{entries[2].ID, entries[4].ID}; !slices.Equal(got, want) || r.log.place() != 6 {
			t.Errorf("delivered %v, cursor %d", got, r.log.place())
		}
		r.log.add(record.Entry{Seq: 7, Kind: record.KindPortUp})
		synctest.Wait()
		if len(r.sink.seen()) != 1 || r.log.place() != 7 || r.Status().Lag != 0 {
			t.Errorf("%d deliveries, cursor %d", len(r.sink.seen()), r.log.place())
		}
		r.stop(t)
	})
}

func TestABatchWaitsForItsAge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(10, 1)
		r := start(t, newLog(entries[:2]...), &fakeSink{}, func(c *Config, _ *Deps) {
			c.BatchAge, c.BatchSize = strict.Duration(time.Minute), 4
		})
		time.Sleep(59 * time.Second)
		synctest.Wait()
		r.log.add(entries[2])
		if n := len(r.sink.seen()); n != 0 {
			t.Errorf("%d deliveries before the age", n)
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if got := r.sink.seen(); len(got) != 1 || len(got[0].ids) != 3 {
			t.Fatalf("after the age: %v", got)
		}
		r.log.add(entries[3:8]...)
		synctest.Wait()
		if got := r.sink.seen(); len(got) != 2 || len(got[1].ids) != 4 {
			t.Errorf("a full batch waits: %v", got)
		}
		r.stop(t)
	})
}

func TestEachDeliveryHasADeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		s.takes(func(ctx context.Context, _ []record.Entry) (int, error) {
			<-ctx.Done()
			return 0, ctx.Err()
		})
		r := start(t, newLog(sinktest.Weighings(2, 1)...), s)
		time.Sleep(31 * time.Second)
		synctest.Wait()
		if got := r.conditions(); !slices.Equal(got, []string{CodeUnreachable}) {
			t.Errorf("after the deadline: %v", got)
		}
		r.stop(t)
	})
}

func TestASlowDestinationThatGetsOnIsNoFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		s.takes(func(ctx context.Context, _ []record.Entry) (int, error) {
			<-ctx.Done()
			return 1, ctx.Err()
		})
		r := start(t, newLog(sinktest.Weighings(3, 1)...), s)
		time.Sleep(91 * time.Second)
		synctest.Wait()
		if got := r.conditions(); len(got) != 0 || r.log.place() != 3 {
			t.Errorf("conditions %v, cursor %d", got, r.log.place())
		}
		r.stop(t)
	})
}

func TestADeliveryUnderWayMayEndWell(t *testing.T) {
	for _, takes := range []time.Duration{grace / 2, time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			s := &fakeSink{}
			s.takes(func(ctx context.Context, entries []record.Entry) (int, error) {
				select {
				case <-time.After(takes):
					return len(entries), nil
				case <-ctx.Done():
					return 0, ctx.Err()
				}
			})
			r := start(t, newLog(sinktest.Weighings(2, 1)...), s)
			synctest.Wait()
			told := time.Now()
			r.stop(t)
			if took := time.Since(told); took > grace {
				t.Errorf("Run ended %s after it was told to", took)
			}
			if want := map[bool]uint64{true: 2, false: 0}[takes < grace]; r.log.place() != want || len(r.conditions()) != 0 {
				t.Errorf("delivery of %s: cursor %d, conditions %v", takes, r.log.place(), r.conditions())
			}
		})
	}
}

func TestASinkThatMisbehavesIsTriedAgain(t *testing.T) {
	for what, answer := range map[string]func(context.Context, []record.Entry) (int, error){
		"panics":               func(context.Context, []record.Entry) (int, error) { panic("oh") },
		"accepts too many":     func(context.Context, []record.Entry) (int, error) { return 99, nil },
		"accepts minus one":    func(context.Context, []record.Entry) (int, error) { return -1, nil },
		"does not say why not": func(context.Context, []record.Entry) (int, error) { return 0, nil },
	} {
		synctest.Test(t, func(t *testing.T) {
			s := &fakeSink{}
			s.takes(answer)
			r := start(t, newLog(sinktest.Weighings(2, 1)...), s)
			synctest.Wait()
			if got := r.conditions(); !slices.Equal(got, []string{CodeUnreachable}) || r.log.place() != 0 {
				t.Errorf("%s: conditions %v, cursor %d", what, got, r.log.place())
			}
			s.takes(nil)
			time.Sleep(time.Minute)
			synctest.Wait()
			if r.log.place() != 2 {
				t.Errorf("%s: cursor %d", what, r.log.place())
			}
			r.stop(t)
		})
	}
}

func TestTellsWhenTheJournalCannotBeUsed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog(sinktest.Weighings(2, 1)...)
		l.cursor = 9
		r := start(t, l, &fakeSink{})
		if err := <-r.ended; err == nil || !strings.Contains(err.Error(), "entries are missing") {
			t.Errorf("a journal shorter than the cursor: %v", err)
		}
		r.cancel()

		l = newLog(sinktest.Weighings(2, 1)...)
		r = start(t, l, &fakeSink{})
		synctest.Wait()
		l.locked(func() { l.closed = true })
		if err := <-r.ended; !errors.Is(err, errClosed) {
			t.Errorf("a closed journal: %v", err)
		}
		r.cancel()

		l = newLog(sinktest.Weighings(2, 1)...)
		l.broken = true
		r = start(t, l, &fakeSink{})
		synctest.Wait()
		if got := r.conditions(); !slices.Equal(got, []string{CodeUnreadable}) {
			t.Errorf("a journal that cannot be read: %v", got)
		}
		l.locked(func() { l.broken = false })
		time.Sleep(time.Minute)
		synctest.Wait()
		if len(r.sink.got()) != 2 || len(r.conditions()) != 0 {
			t.Errorf("after it can be read again: %d delivered, %v", len(r.sink.got()), r.conditions())
		}
		r.stop(t)
	})
}

func TestConfigFaults(t *testing.T) {
	for want, change := range map[string]func(*Config){
		"id: the name of the sink is empty":               func(c *Config) { c.ID = "" },
		"entries: names no kind":                          func(c *Config) { c.Entries = nil },
		`entries[0]: "weighings" is no kind`:              func(c *Config) { c.Entries = []string{"weighings"} },
		`entries[1]: "result" stands here twice`:          func(c *Config) { c.Entries = []string{"result", "result"} },
		"batch_size: 0 entries at once":                   func(c *Config) { c.BatchSize = 0 },
		"retry_max: is shorter than retry_min (2m)":       func(c *Config) { c.RetryMin = strict.Duration(2 * time.Minute) },
		"probe: 0s is out of range; allowed: 1s to 24h0m": func(c *Config) { c.Probe = 0 },
		"deadline: 1ms is out of range":                   func(c *Config) { c.Deadline = strict.Duration(time.Millisecond) },
	} {
		c := testConfig()
		change(&c)
		r := strict.NewReport("sinks.yaml")
		c.Check(r)
		if got := r.Faults().Error(); !strings.HasPrefix(got, "sinks.yaml: "+want) || len(r.Faults()) != 1 {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
