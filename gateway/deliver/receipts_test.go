package deliver

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

// numbering gives what it takes numbers of its own.
type numbering struct {
	fakeSink
	given []record.Answered
	wrong bool // and answers what nobody asked
}

func (s *numbering) Deliver(ctx context.Context, entries []record.Entry) (int, error) {
	n, err := s.fakeSink.Deliver(ctx, entries)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.given = nil
	for i, e := range entries[:n] {
		s.given = append(s.given, record.Answered{Seq: e.Seq, ID: e.ID, Given: fmt.Sprint("job ", len(s.took)-n+i+1), SHA256: strings.Repeat("ab", 32)})
	}
	if s.wrong {
		s.given = append(s.given, record.Answered{Seq: 999, Given: "?"})
		s.given[0].ID, s.given[0].Given, s.given[0].SHA256 = "another", strings.Repeat("é", 400), "no hash"
	}
	return n, err
}

func (s *numbering) Receipts() []record.Answered {
	s.mu.Lock()
	defer s.mu.Unlock()
	given := s.given
	s.given = nil
	return given
}

// answered reads what the journal keeps of answers.
func (l *fakeLog) answered(t *testing.T) (all []record.SinkAnswered) {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, e := range l.entries {
		if e.Kind == record.KindSinkAnswered {
			var a record.SinkAnswered
			if err := json.Unmarshal(e.JSON, &a); err != nil {
				t.Fatal(err)
			}
			all = append(all, a)
		}
	}
	return all
}

func TestWhatComesBackIsAnEntryBeforeTheCursorMoves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := &numbering{}, newLog(sinktest.Weighings(5, 1)...)
		l.full = true
		r := start(t, l, s)
		synctest.Wait()
		if len(s.got()) != 5 || l.place() != 0 {
			t.Errorf("%d taken, cursor %d while nothing can be recorded", len(s.got()), l.place())
		}
		time.Sleep(time.Hour)
		if len(s.seen()) != 1 {
			t.Errorf("%d deliveries while nothing can be recorded", len(s.seen()))
		}
		l.locked(func() { l.full = false })
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		all := l.answered(t)
		if len(all) != 1 || len(all[0].Answers) != 5 || all[0].Answers[4].Given != "job 5" || all[0].Answers[4].ID != l.entries[4].ID || l.place() != 6 {
			t.Errorf("kept %+v, cursor %d", all, l.place())
		}
		r.stop(t)
	})
}

// TestACrashBeforeTheAnswerIsKept: the entries come again, and are answered again.
func TestACrashBeforeTheAnswerIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := &numbering{}, newLog(sinktest.Weighings(3, 1)...)
		l.full = true
		r := start(t, l, s)
		synctest.Wait()
		r.stop(t)
		if l.place() != 0 || len(l.answered(t)) != 0 {
			t.Errorf("cursor %d, %v", l.place(), l.answered(t))
		}
		l.locked(func() { l.full = false })
		r = start(t, l, s)
		synctest.Wait()
		all := l.answered(t)
		if got := s.got(); len(got) != 6 || len(all) != 1 || all[0].Answers[0].Given != "job 4" {
			t.Errorf("took %v, kept %+v", got, all)
		}
		r.stop(t)
	})
}

// TestTwoSinksThatAnswerEachOther come to an end, and no sink gets answers of its own.
func TestTwoSinksThatAnswerEachOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog(sinktest.Weighings(2, 1)...)
		all := func(c *Config, _ *Deps) { c.Entries = []string{"all"} }
		one, other := &numbering{}, &numbering{}
		// Each has its place in a journal of its own, with the same entries.
		r := start(t, l, one, all)
		synctest.Wait()
		r.stop(t)
		l.locked(func() { l.cursor, l.durable = 0, 0 })
		r = start(t, l, other, all, func(c *Config, _ *Deps) { c.ID = "other" })
		synctest.Wait()
		r.stop(t)
		l.locked(func() { l.cursor, l.durable = 3, 3 })
		head := l.Head()
		r = start(t, l, one, all)
		synctest.Wait()
		if l.Head() != head || l.place() != head {
			t.Errorf("the journal went on from %d to %d, cursor %d", head, l.Head(), l.place())
		}
		for _, e := range one.took {
			if e.Kind == record.KindSinkAnswered && strings.Contains(string(e.JSON), `"sink":"archive"`) {
				t.Errorf("got an answer of its own: %s", e.JSON)
			}
		}
		if got := one.got(); len(got) != 3 || got[2] != l.entries[head-1].ID { // two weighings, and what the other was answered
			t.Errorf("got %v", got)
		}
		r.stop(t)
	})
}

func TestAnswersAreHostile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := &numbering{wrong: true}, newLog(sinktest.Weighings(3, 1)...)
		r := start(t, l, s)
		synctest.Wait()
		all := l.answered(t)
		if len(all) != 1 || len(all[0].Answers) != 3 {
			t.Fatalf("kept %+v", all)
		}
		if a := all[0].Answers[0]; a.ID != l.entries[0].ID || len(a.Given) > mostGiven+len("…") || a.SHA256 != "" {
			t.Errorf("kept %+v", a)
		}
		r.stop(t)
	})
}

// TestAnEntryThatIsSentAgainIsAnsweredToo, before it stops to be parked.
func TestAnEntryThatIsSentAgainIsAnsweredToo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := &numbering{}, newLog(sinktest.Weighings(2, 1)...)
		s.takes(refuses(l.entries[0].ID))
		r := start(t, l, s)
		synctest.Wait()
		s.takes(nil)
		if err := r.Retry(t.Context(), []uint64{1}, r.acted(false, 1)); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		all := l.answered(t)
		if len(all) != 2 || all[1].Answers[0].Seq != 1 || len(l.aside) != 0 {
			t.Errorf("kept %+v, parked %v", all, l.aside)
		}
		r.stop(t)
	})
}
