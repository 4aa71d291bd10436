package learn

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

type expectation struct {
	Offset int64
	Frame  []byte
	Value  *expectedValue
	Result *expectedValue
	Unread string
}

type expectedValue struct{ Digits, Unit, Kind, Stability, Range string }

func readExpectations(t *testing.T, path string) map[int64]expectation {
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	all := map[int64]expectation{}
	for _, line := range bytes.Split(bytes.TrimSpace(raw), []byte("\n"))[1:] {
		var e expectation
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		all[e.Offset] = e
	}
	return all
}

// TestStreams learns from the recorded streams, bad lines and all, and compares what the learnt layout reads with what the
// streams' expectations say: never another number or unit, never another stability or kind where both say one.
func TestStreams(t *testing.T) {
	if os.Getenv("LEARN_DEBUG") != "" {
		debugf = t.Logf
		defer func() { debugf = func(string, ...any) {} }()
	}
	recorded, _ := filepath.Glob("../../testdata/streams/*.bytes")
	if len(recorded) < 28 {
		t.Fatalf("%d recorded streams", len(recorded))
	}
	full, learnt := 0, 0
	for _, path := range recorded {
		name := strings.TrimSuffix(filepath.Base(path), ".bytes")
		stream, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		want := readExpectations(t, strings.TrimSuffix(path, ".bytes")+".readings.ndjson")
		if r, err := From(Sample{Bytes: stream}, Answers{}); err == nil && len(r.Candidates) > 0 {
			compareStream(t, name+" (all)", r, stream, want)
		}
		good, n := goodOnes(want, stream)
		if n < FewFrames {
			continue
		}
		r, err := From(Sample{Bytes: good}, Answers{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(r.Candidates) == 0 {
			t.Logf("%-28s no candidate: %s", name, r.Why)
			continue
		}
		learnt++
		same, values := compareStream(t, name, r, stream, want)
		if same == values {
			full++
		}
		t.Logf("%-28s reads %d of %d values, confidence %.2f", name, same, values, r.Candidates[0].Confidence)
		if testing.Verbose() && same != values {
			t.Logf("%s", r.Candidates[0].Layout)
		}
	}
	t.Logf("%d streams, %d learnt, %d with every value", len(recorded), learnt, full)
}

func compareStream(t *testing.T, name string, r *Result, stream []byte, want map[int64]expectation) (same, values int) {
	for _, e := range want {
		if e.Value != nil || e.Result != nil {
			values++
		}
	}
	l, err := layout.Parse(name, r.Candidates[0].Layout)
	if err != nil {
		t.Errorf("%s: the learnt layout is refused: %v\n%s", name, err, r.Candidates[0].Layout)
		return 0, values
	}
	var got layout.Reading
	splitWith(l.Splitter(), Sample{Bytes: stream}, func(f frame.Frame) {
		if l.Apply(f, &got) != nil {
			return
		}
		e, known := want[f.Offset]
		v := e.Value
		if v == nil {
			v = e.Result
		}
		switch {
		case !known:
			t.Errorf("%s: %q is read as %s, and the truth knows no such frame", name, f.Bytes, short(&got))
		case v == nil:
			t.Logf("%s: %q is read as %s, and the hand-written layout refuses it: %s", name, f.Bytes, short(&got), e.Unread)
		case got.Digits() != v.Digits || got.UnitCode() != v.Unit || got.Range.String() != v.Range:
			t.Errorf("%s: %q is read as %s, and is %s %s %s", name, f.Bytes, short(&got), v.Digits, v.Unit, v.Range)
		case differs(got.Kind.String(), v.Kind), differs(got.Stability.String(), v.Stability):
			t.Errorf("%s: %q is read as %s, and is %s %s", name, f.Bytes, short(&got), v.Kind, v.Stability)
		default:
			same++
		}
	})
	return same, values
}

// goodOnes are the frames that have a value, in order, with whatever ends them.
func goodOnes(want map[int64]expectation, stream []byte) (good []byte, n int) {
	var offsets []int64
	for o := range want {
		offsets = append(offsets, o)
	}
	slices.Sort(offsets)
	for i, o := range offsets {
		end := int64(len(stream))
		if i+1 < len(offsets) {
			end = offsets[i+1]
		}
		if e := want[o]; e.Value != nil || e.Result != nil {
			good = append(good, stream[o:end]...)
			n++
		}
	}
	return good, n
}

func differs(got, want string) bool { return got != want && got != "unknown" && want != "unknown" }
