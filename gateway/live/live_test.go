package live

import (
	"strconv"
	"sync"
	"testing"

	"weighpost/gateway/record"
)

func reading(n int) record.Live {
	return record.Live{Balance: "b-12", Value: &record.Value{Digits: strconv.Itoa(n)}}
}

func TestASlowReaderLosesAndDelaysNobody(t *testing.T) {
	var h Hub
	slow, quick := h.Subscribe(3), h.Subscribe(100)
	for i := range 10 {
		h.Publish(reading(i)) // would block for ever here if a full reader could delay it
	}
	if len(slow.C) != 3 || slow.Lost() != 7 {
		t.Errorf("the slow reader has %d and lost %d", len(slow.C), slow.Lost())
	}
	if len(quick.C) != 10 || quick.Lost() != 0 {
		t.Errorf("the quick reader has %d and lost %d", len(quick.C), quick.Lost())
	}
	for i := range 10 {
		if r := <-quick.C; r.Value.Digits != strconv.Itoa(i) {
			t.Errorf("reading %d came as %s", i, r.Value.Digits)
		}
	}
	for i := range 3 { // the oldest are kept: what a reader has not taken is not replaced
		if r := <-slow.C; r.Value.Digits != strconv.Itoa(i) {
			t.Errorf("slow reading %d came as %s", i, r.Value.Digits)
		}
	}
}

func TestAClosedViewGetsNothing(t *testing.T) {
	var h Hub
	h.Publish(reading(0)) // nobody listens
	s, other := h.Subscribe(0), h.Subscribe(5)
	h.Publish(reading(1))
	s.Close()
	s.Close()
	h.Publish(reading(2))
	if len(s.C) != 1 || s.Lost() != 0 || len(other.C) != 2 {
		t.Errorf("closed: %d held, %d lost; the other holds %d", len(s.C), s.Lost(), len(other.C))
	}
}

func TestOnlyPeopleWatch(t *testing.T) {
	var h Hub
	sink := h.Subscribe(1)
	if h.Watched() {
		t.Error("a sink is taken for a person")
	}
	one, other := h.Watch(1), h.Watch(1)
	one.Close()
	one.Close()
	if !h.Watched() {
		t.Error("somebody still looks")
	}
	h.Publish(reading(1))
	other.Close()
	sink.Close()
	if h.Watched() || len(other.C) != 1 {
		t.Errorf("watched %v, %d readings", h.Watched(), len(other.C))
	}
}

// Publishing, subscribing and closing at the same time: for the race detector, and for the sum of what came and was lost.
func TestManyAtOnce(t *testing.T) {
	var h Hub
	var publishers, readers sync.WaitGroup
	steady := h.Subscribe(1)
	const each = 2000
	for range 3 {
		publishers.Go(func() {
			for i := range each {
				h.Publish(reading(i))
			}
		})
		readers.Go(func() {
			for range 200 {
				s := h.Subscribe(2)
				select {
				case <-s.C:
				default:
				}
				s.Close()
			}
		})
	}
	got, done := 0, make(chan struct{})
	go func() { publishers.Wait(); close(done) }()
	for open := true; open; {
		select {
		case <-steady.C:
			got++
		case <-done:
			open = false
		}
	}
	readers.Wait()
	if total := got + len(steady.C) + int(steady.Lost()); total != 3*each {
		t.Errorf("%d came or were lost, %d were published", total, 3*each)
	}
}

// TestWhatIsSaidOfAPrintIsForPeople: a sink that follows readings is not told.
func TestWhatIsSaidOfAPrintIsForPeople(t *testing.T) {
	var h Hub
	sink, screen := h.Subscribe(3), h.Watch(3)
	h.Publish(record.Live{Balance: "b-12", Answer: &record.Answer{Outcome: record.AnswerRecorded}})
	h.Publish(reading(1))
	if len(sink.C) != 1 || len(screen.C) != 2 {
		t.Errorf("the sink was told %d, the screen %d", len(sink.C), len(screen.C))
	}
}
