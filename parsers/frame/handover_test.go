package frame_test

import (
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"weighpost/parsers/frame"
)

// TestAnotherSplitterGoesOnWhereTheFirstFinished: after a hand-over anywhere in a stream, the first splitter followed by a
// new one gives the frames that one alone gives, and the bytes that the first took end with its last frame.
func TestAnotherSplitterGoesOnWhereTheFirstFinished(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyRule(t)
		stream := word(t, "stream", 0, 120)
		at := rapid.IntRange(0, len(stream)).Draw(t, "hand-over")
		alone, err := frame.New(r)
		if err != nil {
			t.Fatal(err)
		}
		first, _ := frame.New(r)
		second, _ := frame.New(r)
		var whole, handed, later []got
		alone.Push(stream, collect(&whole))
		alone.Flush(collect(&whole))
		first.Push(stream[:at], collect(&handed))
		n, done := first.Finish(stream[at:], collect(&handed))
		if !done {
			if n != len(stream)-at {
				t.Fatalf("took %d of %d bytes and is not done", n, len(stream)-at)
			}
			return
		}
		if first.Pending() != 0 {
			t.Fatalf("done with %d bytes unfinished", first.Pending())
		}
		second.Push(stream[at+n:], collect(&later))
		second.Flush(collect(&later))
		for _, f := range later {
			f.Offset += int64(at + n)
			f.End += int64(at + n)
			handed = append(handed, f)
		}
		for i := range handed {
			handed[i].Opening = i < len(whole) && whole[i].Opening // the second cannot know what the first heard
		}
		if !reflect.DeepEqual(handed, whole) {
			t.Fatalf("%+v\nstream %q handed over at %d+%d\nalone  %+v\nhanded %+v", r, stream, at, n, whole, handed)
		}
	})
}
