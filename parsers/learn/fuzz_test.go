package learn

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// FuzzFrom learns from any bytes: no panic, a bounded time, and whatever candidate comes is a layout that reads as many frames
// as it claims.
func FuzzFrom(f *testing.F) {
	recorded, _ := filepath.Glob("../../testdata/streams/*.bytes")
	for _, path := range recorded {
		if b, err := os.ReadFile(path); err == nil && len(b) < 2000 {
			f.Add(b, "display=12.3450 g", uint16(17))
		}
	}
	f.Add([]byte(settling), "word:~=unstable", uint16(0))
	f.Add([]byte(block()), "number=2", uint16(40))
	f.Add([]byte("\x02 1.0 g\x03\x02 2.0 g\x03\x02 3.0 g\x03"), "check=xor", uint16(8))
	f.Fuzz(func(t *testing.T, b []byte, hint string, pause uint16) {
		if len(b) > 1<<14 {
			return
		}
		var a Answers
		_ = a.Hint(hint)
		s := Sample{Bytes: b, Pauses: []int{int(pause), int(pause) * 2, int(pause) * 3}}
		began := time.Now()
		r, err := From(s, a)
		if took := time.Since(began); took > 20*time.Second {
			t.Fatalf("it took %s for %d bytes", took, len(b))
		}
		if err != nil {
			return
		}
		if len(r.Candidates) == 0 && r.Why == "" {
			t.Fatal("no candidate, and no reason")
		}
		for _, c := range r.Candidates {
			l, err := layout.Parse("learnt", c.Layout)
			if err != nil {
				t.Fatalf("%v\n%s", err, c.Layout)
			}
			if fits := readsOf(l, s); fits != c.Fits || c.Confidence < 0 || c.Confidence > 1 {
				t.Fatalf("it claims %d frames and reads %d; confidence %f", c.Fits, fits, c.Confidence)
			}
		}
	})
}

func readsOf(l *layout.Layout, s Sample) (n int) {
	var r layout.Reading
	splitWith(l.Splitter(), s, func(f frame.Frame) {
		if l.Apply(f, &r) == nil {
			n++
		}
	})
	return n
}
