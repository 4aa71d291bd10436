package layout_test

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

// expectation is one line of a recorded stream's expected readings.
type expectation struct {
	Offset int64
	Frame  string
	Value  *expectedValue
	Result *expectedValue
	Unread string

	Person, Sample, Balance, Count, Check string
	RangeNumber                           string `json:"range_number"`
	Date                                  string `json:"printed_date"`
	Time                                  string `json:"printed_time"`
}

type expectedValue struct {
	Digits, Unit, Kind, Stability, Range string
	PrintedUnit                          string `json:"printed_unit"`
	AuxiliaryDigits                      int    `json:"auxiliary_digits"`
}

// TestStreams replays the recorded streams of testdata/streams straight through Apply, whole and in chunks of any length.
// The command's own test compares its output with the same expectations byte for byte.
func TestStreams(t *testing.T) {
	layouts := allLayouts(t)
	recorded, err := filepath.Glob("../../testdata/streams/*.bytes")
	if err != nil || len(recorded) < 28 {
		t.Fatalf("%d recorded streams, %v", len(recorded), err)
	}
	for _, path := range recorded {
		name := strings.TrimSuffix(filepath.Base(path), ".bytes")
		t.Run(name, func(t *testing.T) {
			l := layouts[name]
			if l == nil {
				t.Fatal("there is no layout of this name")
			}
			stream, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			want := readExpectations(t, strings.TrimSuffix(path, ".bytes")+".readings.ndjson")
			compare(t, l, [][]byte{stream}, want)
			rnd := rand.New(rand.NewPCG(1, uint64(len(stream))))
			for range 20 {
				compare(t, l, chunked(rnd, stream), want)
			}
		})
	}
}

func readExpectations(t *testing.T, path string) (all []expectation) {
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("a recorded stream needs its expectation: %v", err)
	}
	for _, line := range bytes.Split(bytes.TrimSpace(raw), []byte("\n"))[1:] {
		var e expectation
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		all = append(all, e)
	}
	return all
}

func chunked(rnd *rand.Rand, stream []byte) (chunks [][]byte) {
	for len(stream) > 0 {
		n := 1 + rnd.IntN(min(len(stream), 30))
		chunks, stream = append(chunks, stream[:n]), stream[n:]
	}
	return chunks
}

func compare(t *testing.T, l *layout.Layout, chunks [][]byte, want []expectation) {
	t.Helper()
	n := 0
	var r layout.Reading
	emit := func(f frame.Frame) {
		if n++; n > len(want) {
			t.Fatalf("frame %d is one too many: %q", n, f.Bytes)
		}
		got := expectation{Offset: f.Offset, Frame: base64.StdEncoding.EncodeToString(f.Bytes)}
		if err := l.Apply(f, &r); err != nil {
			got.Unread = err.Error()
		} else {
			fill(&got, &r)
		}
		a, _ := json.Marshal(got)
		b, _ := json.Marshal(want[n-1])
		if !bytes.Equal(a, b) {
			t.Fatalf("frame %d, %q\n got %s\nwant %s", n, f.Bytes, a, b)
		}
	}
	s := l.Splitter()
	for _, chunk := range chunks {
		s.Push(chunk, emit)
	}
	s.Flush(emit)
	if n != len(want) {
		t.Fatalf("%d frames, and %d are expected", n, len(want))
	}
}

func fill(e *expectation, r *layout.Reading) {
	v := &expectedValue{Digits: r.Digits(), Unit: r.UnitCode(), PrintedUnit: r.PrintedUnit(), Kind: r.Kind.String(),
		Stability: r.Stability.String(), Range: r.Range.String(), AuxiliaryDigits: r.AuxiliaryDigits}
	if r.Quantity == unit.Count || r.Quantity == unit.Percent {
		e.Result = v
	} else {
		e.Value = v
	}
	e.Person, e.Sample, e.Balance, e.Count, e.Check = r.Person(), r.Sample(), r.Balance(), r.Count(), r.CheckState()
	e.RangeNumber, e.Date, e.Time = r.RangeNumber(), r.Date(), r.Time()
}
