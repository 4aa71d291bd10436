package learn_test

import (
	"bytes"
	"slices"
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/learn"
	"weighpost/parsers/learn/learntest"
)

// BenchmarkLearn1000Lines has the budget of one second for a sample.
func BenchmarkLearn1000Lines(b *testing.B) {
	for _, class := range []string{"plain", "made-up mark", "kind", "check characters", "print block", "date, lot, person", "two numbers", "cannot be described"} {
		b.Run(class, func(b *testing.B) {
			sample := ofClass(class, 1000)
			b.SetBytes(int64(len(sample.Bytes)))
			for b.Loop() {
				if _, err := learn.From(sample, learn.Answers{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// ofClass is what a made-up balance of one class sent.
func ofClass(class string, lines int) learn.Sample {
	for seed := uint64(1); ; seed++ {
		if b := learntest.New(seed, learntest.Options{Lines: 1, Further: 1}); b.Class == class && b.Needs == 0 {
			bytes, pauses := learntest.New(seed, learntest.Options{Lines: lines}).Sample()
			return learn.Sample{Bytes: bytes, Pauses: pauses}
		}
	}
}

// twentyBytes is a sample of lines of twenty bytes, their ends included.
const twentyBytes = "s      0.0000 g  *\r\ns     12.3450 g   \r\ns     12.3460 g   \r\ns     12.3471 g  *\r\ns     12.3471 g  *\r\n" +
	"s      5.1000 g   \r\ns      4.2000 g   \r\ns      3.9510 g  *\r\ns      3.9510 g  *\r\ns      3.9510 g  *\r\n"

// BenchmarkApplyLearnt has the budget of 400 ns and no allocation for a line of twenty bytes, read by a learnt layout.
func BenchmarkApplyLearnt(b *testing.B) {
	l := firstLayout(b, learn.Sample{Bytes: []byte(twentyBytes)})
	if l == nil {
		b.Skip("nothing is learnt from the lines")
	}
	var r layout.Reading
	frames := slices.DeleteFunc(framesOf(l, learn.Sample{Bytes: []byte(twentyBytes)}), func(f frame.Frame) bool { return l.Apply(f, &r) != nil })
	if len(frames) == 0 {
		b.Fatal("the learnt layout reads none of the lines that it was learnt from")
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if err := l.Apply(frames[i%len(frames)], &r); err != nil {
			b.Fatal(err)
		}
	}
}

// firstLayout is the first candidate, or nil.
func firstLayout(t testing.TB, s learn.Sample) *layout.Layout {
	t.Helper()
	result, err := learn.From(s, learn.Answers{})
	if err != nil || len(result.Candidates) == 0 {
		return nil
	}
	l, err := layout.Parse("learnt.yaml", result.Candidates[0].Layout)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// framesOf cuts a sample into frames with bytes of their own.
func framesOf(l *layout.Layout, s learn.Sample) (frames []frame.Frame) {
	keep := func(f frame.Frame) {
		if f.Fault != "" {
			return
		}
		all, own := bytes.Clone(f.Bytes), f
		own.Bytes = all
		at := bytes.Index(all, f.Body)
		own.Body = all[at : at+len(f.Body)]
		own.Trailer = bytes.Clone(f.Trailer)
		own.Lines = append([]frame.Span(nil), f.Lines...)
		frames = append(frames, own)
	}
	splitter, at := l.Splitter(), 0
	for _, pause := range s.Pauses {
		splitter.Push(s.Bytes[at:pause], keep)
		splitter.Idle(keep)
		at = pause
	}
	splitter.Push(s.Bytes[at:], keep)
	splitter.Idle(keep)
	return frames
}

// TestLearntLayoutsDoNotAllocate applies what is learnt from balances of every class.
func TestLearntLayoutsDoNotAllocate(t *testing.T) {
	learntLayouts := 0
	for seed := range uint64(150) {
		sample, pauses := learntest.New(seed, learntest.Options{}).Sample()
		s := learn.Sample{Bytes: sample, Pauses: pauses}
		l := firstLayout(t, s)
		if l == nil {
			continue
		}
		learntLayouts++
		var r layout.Reading
		for _, f := range framesOf(l, s) {
			if l.Apply(f, &r) != nil {
				continue // a refusal has a sentence, which takes memory
			}
			if n := testing.AllocsPerRun(20, func() { _ = l.Apply(f, &r) }); n != 0 {
				t.Errorf("seed %d: %v allocations for %q, read by\n%s", seed, n, f.Bytes, l.Text())
				break
			}
		}
	}
	t.Logf("%d layouts were learnt", learntLayouts)
}
