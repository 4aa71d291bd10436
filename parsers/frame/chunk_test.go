package frame_test

import (
	"bytes"
	"reflect"
	"regexp"
	"testing"
	"time"

	"pgregory.net/rapid"

	"weighpost/parsers/frame"
)

// alphabet is small, so that marks, their halves and their repetitions are frequent.
var alphabet = []byte("\r\n\r\n\x02\x03 AB1=\x00")

func word(t *rapid.T, label string, least, most int) []byte {
	return rapid.SliceOfN(rapid.SampledFrom(alphabet), least, most).Draw(t, label)
}

// anyRule draws a rule of any kind that makes sense.
func anyRule(t *rapid.T) frame.Rule {
	return rapid.Custom(func(t *rapid.T) frame.Rule {
		var r frame.Rule
		if rapid.Bool().Draw(t, "gap") {
			r.IdleGap = time.Second
		}
		if rapid.Bool().Draw(t, "short") {
			r.MaxLength = rapid.IntRange(8, 24).Draw(t, "max")
		}
		if rapid.Bool().Draw(t, "terminators") {
			r.Terminators = rapid.SliceOfN(rapid.SampledFrom([][]byte{[]byte("\r"), []byte("\n"), []byte("\r\n"), []byte("\r\r\n"),
				[]byte("\n\r"), []byte("="), []byte("AB"), []byte("\r\n\r\n")}), 1, 4).Draw(t, "ends")
		}
		switch rapid.IntRange(0, 4).Draw(t, "kind") {
		case 0:
			r.Block = &frame.Block{BlankLines: rapid.IntRange(0, 3).Draw(t, "blanks"), MaxLines: rapid.IntRange(1, 6).Draw(t, "lines")}
			if rapid.Bool().Draw(t, "first") {
				r.Block.First = []frame.Pattern{{Text: []byte("A"), Exact: rapid.Bool().Draw(t, "exact")}}
			}
			if rapid.Bool().Draw(t, "last") {
				r.Block.Last = []frame.Pattern{{Text: []byte("1"), Exact: rapid.Bool().Draw(t, "exact")}}
			}
		case 1:
			r.Start = word(t, "start", 1, 3)
			r.End = word(t, "end", 0, 3)
		case 2:
			r.End = word(t, "end", 1, 3)
		case 3:
			r.Length = rapid.IntRange(2, 9).Draw(t, "length")
			r.Start = word(t, "start", 0, 1)
		}
		if len(r.End) > 0 {
			r.Trailer = rapid.IntRange(0, 3).Draw(t, "trailer")
		}
		return r
	}).Filter(func(r frame.Rule) bool { return r.Check() == nil }).Draw(t, "rule")
}

// checkFrames holds what is true of the frames of any stream under any rule.
func checkFrames(t interface {
	Helper()
	Fatalf(string, ...any)
}, r frame.Rule, stream []byte, frames []got, wasReset bool) {
	t.Helper()
	covered := make([]bool, len(stream))
	at := int64(0)
	for _, f := range frames {
		if f.Offset < at || f.End <= f.Offset || f.End > int64(len(stream)) {
			t.Fatalf("a frame from %d to %d after one that ended at %d, of %d bytes: %+v", f.Offset, f.End, at, len(stream), f)
		}
		at = f.End
		original := stream[f.Offset:f.End]
		if !bytes.HasPrefix(original, []byte(f.Bytes)) {
			t.Fatalf("the frame at %d has %q, the stream %q", f.Offset, f.Bytes, original)
		}
		whole := len(f.Bytes) == len(original)
		switch {
		case f.Fault == "" && (!whole || f.Body == "" && f.Trailer == "" || len(f.Trailer) != r.Trailer || f.Lines == nil && f.Body != ""):
			t.Fatalf("a sound frame is not whole: %+v of %q", f, original)
		case f.Fault != "" && (f.Body != "" || f.Lines != nil):
			t.Fatalf("a faulty frame has a body: %+v", f)
		case !whole && !bytes.Contains([]byte(f.Fault), []byte("not kept")):
			t.Fatalf("bytes are missing and the fault does not say so: %+v of %q", f, original)
		case r.Block == nil && f.Fault == "" && f.Bytes[:len(r.Start)] != string(r.Start):
			t.Fatalf("%q does not begin with %q", f.Bytes, r.Start)
		case f.Fault == "" && len(r.End) > 0 && f.Bytes != string(r.Start)+f.Body+string(r.End)+f.Trailer:
			t.Fatalf("%q is not start, %q, end and %q", f.Bytes, f.Body, f.Trailer)
		}
		for i := f.Offset; i < f.End; i++ {
			covered[i] = true
		}
	}
	if wasReset {
		return
	}
	// Nothing that says anything disappears without a frame that shows it.
	silent := append([]byte(" \t\r\n\v\f"), bytes.Join(r.Terminators, nil)...)
	silent = append(append(silent, r.Start...), r.End...)
	for i, c := range stream {
		if !covered[i] && !bytes.Contains(silent, []byte{c}) {
			t.Fatalf("the byte %q at %d of %q is in no frame: %+v", c, i, stream, frames)
		}
	}
}

// TestChunkingDoesNotMatter pushes the same stream, with silences and lost ports in it, whole and in pieces.
func TestChunkingDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyRule(t)
		parts := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) []byte { return word(t, "bytes", 0, 60) }), 1, 6).Draw(t, "parts")
		events := rapid.SliceOfN(rapid.IntRange(0, 3), len(parts), len(parts)).Draw(t, "events") // after each part; 3: a reset
		one, err := frame.New(r)
		if err != nil {
			t.Fatal(err)
		}
		two, _ := frame.New(r)
		var whole, pieces []got
		var stream []byte
		resets := false
		for i, part := range parts {
			stream = append(stream, part...)
			one.Push(part, collect(&whole))
			for rest := part; len(rest) > 0; {
				n := rapid.IntRange(1, len(rest)).Draw(t, "chunk")
				chunk := bytes.Clone(rest[:n])
				two.Push(chunk, collect(&pieces))
				clear(chunk) // a reader uses its buffer again
				rest = rest[n:]
			}
			if one.Pending() != two.Pending() {
				t.Fatalf("%d bytes pending of the whole, %d of the pieces", one.Pending(), two.Pending())
			}
			switch events[i] {
			case 2:
				one.Idle(collect(&whole))
				two.Idle(collect(&pieces))
			case 3:
				resets = true
				pending := one.Pending()
				if a, b := one.Reset(), two.Reset(); a != b || a != pending {
					t.Fatalf("Reset dropped %d and %d of %d", a, b, pending)
				}
			}
		}
		one.Flush(collect(&whole))
		two.Flush(collect(&pieces))
		if !reflect.DeepEqual(whole, pieces) {
			t.Fatalf("%+v\nwhole  %+v\npieces %+v", r, whole, pieces)
		}
		if one.Pending() != 0 {
			t.Fatalf("%d bytes pending after the end", one.Pending())
		}
		checkFrames(t, r, stream, whole, resets)
	})
}

// TestMixedEndsAgreeWithAPattern compares lines with what the standard library's patterns make of the same text.
func TestMixedEndsAgreeWithAPattern(t *testing.T) {
	for _, c := range []struct {
		terminators [][]byte
		pattern     string
	}{
		{marks("\r", "\n", "\r\n"), "\r\n|\r|\n"},
		{marks("\n"), "\n"},
		{marks("\r\n"), "\r\n"},
		{marks("\r", "\r\n"), "\r\n?"},
		{marks("\r\n", "\n"), "\r?\n"},
		{marks("\n", "\r\n"), "\r?\n"},
		{marks("\r", "\r\r\n"), "\r\r\n|\r"},
	} {
		pattern := regexp.MustCompile(c.pattern)
		rapid.Check(t, func(t *rapid.T) {
			stream := append(word(t, "stream", 0, 200), "\r\r\n"...) // ends a line in every case but one
			s, err := frame.New(frame.Rule{Terminators: c.terminators})
			if err != nil {
				t.Fatal(err)
			}
			var frames []got
			s.Push(stream, collect(&frames))
			var have, want []string
			for _, f := range frames {
				have = append(have, f.Body)
			}
			lines := pattern.Split(string(stream), -1)
			for _, line := range lines[:len(lines)-1] {
				if len(bytes.Trim([]byte(line), " \r\n")) > 0 {
					want = append(want, line)
				}
			}
			if !reflect.DeepEqual(have, want) {
				t.Fatalf("%q of %q\nhave %q\nwant %q", c.pattern, stream, have, want)
			}
		})
	}
}
