package health

import (
	"slices"
	"sync"
	"testing"
	"time"
)

func codes(list []Condition) (out []string) {
	for _, c := range list {
		out = append(out, c.Code+" "+c.Subject)
	}
	return out
}

// ticking is a clock that moves a second each time it is asked.
func ticking() func() time.Time {
	now := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	return func() time.Time { now = now.Add(time.Second); return now }
}

func TestErrorsFirstThenByAge(t *testing.T) {
	b := New(ticking())
	for _, c := range []Condition{
		{Code: "n", Severity: Notice}, {Code: "w2", Subject: "b", Severity: Warning}, {Code: "e1", Severity: Error},
		{Code: "w1", Severity: Warning}, {Code: "e2", Severity: Error},
	} {
		b.Raise(c)
	}
	if got, want := codes(b.List()), []string{"e1 ", "e2 ", "w2 b", "w1 ", "n "}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestRaisingAgainKeepsSinceAndTellsOnlyOfChanges(t *testing.T) {
	b := New(ticking())
	told := 0
	b.OnChange(func() { told++; b.List() }) // reading the board from inside must not lock up
	c := Condition{Code: "port-missing", Subject: "b-12", Severity: Error, Sentence: "one"}
	b.Raise(c)
	since := b.List()[0].Since
	b.Raise(c)
	if told != 1 {
		t.Errorf("told %d times of one condition", told)
	}
	c.Sentence = "two"
	b.Raise(c)
	if got := b.List()[0]; told != 2 || got.Sentence != "two" || !got.Since.Equal(since) {
		t.Errorf("told %d times, %+v", told, got)
	}
	b.Clear("port-missing", "b-13")
	b.Clear("other", "b-12")
	if told != 2 {
		t.Error("told of clearing what did not hold")
	}
	b.Clear("port-missing", "b-12")
	if told != 3 || len(b.List()) != 0 {
		t.Errorf("told %d times, %+v", told, b.List())
	}
	b.Raise(c)
	if got := b.List()[0]; !got.Since.After(since) {
		t.Error("a condition that came back has the age of its first time")
	}
}

func TestFromManyGoroutines(t *testing.T) {
	b := New(time.Now)
	var all sync.WaitGroup
	for _, subject := range []string{"a", "b", "c"} {
		all.Go(func() {
			for range 500 {
				b.Raise(Condition{Code: "x", Subject: subject})
				b.List()
				b.OnChange(func() {})
				b.Clear("x", subject)
			}
		})
	}
	all.Wait()
	if l := b.List(); len(l) != 0 {
		t.Errorf("%+v", l)
	}
}
