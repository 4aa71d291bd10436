package intake

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// The same lines twice, so that a reading does not tell which of the two layouts it was read by.
const (
	oldLines = "about: before\nframe: {ends: [\"\\r\", \"\\n\", \"\\r\\n\"]}\nline: \"{weight} {unit}\"\n"
	newLines = "about: after\nframe: {ends: [\"\\r\", \"\\n\", \"\\r\\n\"]}\nline: \"{weight} {unit}\"\n"
)

// TestEachFrameIsReadByOneLayoutWhole: wherever in a stream the layout changes, and however the stream is cut into reads,
// every line is read once, by the layout that was in use when its first byte came, and the change is an entry between them.
func TestEachFrameIsReadByOneLayoutWhole(t *testing.T) {
	after := mustLayout(t, newLines)
	rapid.Check(t, func(r *rapid.T) {
		var stream strings.Builder
		var begins []int
		for i := range rapid.IntRange(1, 6).Draw(r, "lines") {
			begins = append(begins, stream.Len())
			fmt.Fprintf(&stream, "%d.345 g%s", i+1, rapid.SampledFrom([]string{"\r", "\n", "\r\n"}).Draw(r, "end"))
		}
		text := stream.String()
		at := rapid.IntRange(0, len(text)).Draw(r, "change at byte")
		b := newBench(t, oldLines, nil, nil)
		b.Up(time.Now().Add(-time.Hour))
		for n := 0; n < len(text); {
			if n == at {
				if err := b.UseLayout(after); err != nil {
					r.Fatal(err)
				}
			}
			to := min(n+rapid.IntRange(1, 9).Draw(r, "read"), len(text))
			if n < at {
				to = min(to, at)
			}
			sent(b, text[n:to])
			n = to
		}
		if at == len(text) {
			_ = b.UseLayout(after)
		}
		b.finish()
		var read []*record.Weighing
		changes := 0
		for _, e := range b.out.first()[1:] {
			switch e := e.(type) {
			case *record.Weighing:
				read = append(read, e)
			case *record.LayoutChange:
				changes++
			default:
				r.Fatalf("an entry %T %+v", e, e)
			}
			if changes > 0 != (len(read) > 0 && read[len(read)-1].Layout == after.Hash() || changes > 0 && !isWeighing(e)) {
				r.Fatalf("the change stands in the wrong place")
			}
		}
		if changes != 1 || len(read) != len(begins) {
			r.Fatalf("%q changed at %d: %d changes, %d weighings of %d", text, at, changes, len(read), len(begins))
		}
		for i, w := range read {
			if want := fmt.Sprintf("%d.345", i+1); w.Value.Digits != want || (w.Layout == after.Hash()) != (begins[i] >= at) {
				r.Errorf("%q changed at %d: line %d is %s by %s", text, at, i+1, w.Value.Digits, w.Layout)
			}
		}
	})
}

func isWeighing(b record.Body) bool { _, ok := b.(*record.Weighing); return ok }

// TestAFrameWithoutAnEndDoesNotHoldUpAnotherLayout: what has come of it is an unread entry, and its rest is no weight.
func TestAFrameWithoutAnEndDoesNotHoldUpAnotherLayout(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, free, nil, nil)
		after := mustLayout(t, "frame: {ends: [\"\\r\"]}\n"+free)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			sent(h, "1.000 g\n12.")
			if err := b.UseLayout(after); err != nil {
				t.Fatal(err)
			}
			time.Sleep(10 * time.Second)
			synctest.Wait()
			expect(t, b.journal.bodies(), "port-up 1", "weighing 1.000 g", "unread the layout was changed in the middle of it, and its end had not come", "*record.LayoutChange")
			sent(h, "345 g\r")
			time.Sleep(time.Second)
			sent(h, "7.000 g\r")
		}); err != nil {
			t.Fatal(err)
		}
		c := b.journal.bodies()[3].(*record.LayoutChange)
		if c.From != mustLayout(t, free).Hash() || c.To != after.Hash() || c.Text != after.Text() || c.Balance.ID != "b-12" || c.Stamp.Clock == "" {
			t.Errorf("the entry says %+v", c)
		}
		expect(t, b.journal.bodies()[4:], "unread its beginning may be missing", "weighing 7.000 g")
	})
}

// TestTheRestOfAFrameGivenUpIsNoWeight: where it comes at once, only the next line is read.
func TestTheRestOfAFrameGivenUpIsNoWeight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, free, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			_ = b.UseLayout(mustLayout(t, "frame: {ends: [\"\\r\"]}\n"+free))
			sent(h, "1")
			_ = b.UseLayout(mustLayout(t, free))
			for range 20 { // a line that is longer than any, without its end
				sent(h, "2")
				time.Sleep(500 * time.Millisecond)
			}
			sent(h, "345 g\n")
			time.Sleep(100 * time.Millisecond)
			sent(h, "7.000 g\n")
		}); err != nil {
			t.Fatal(err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "*record.LayoutChange", "unread the layout was changed in the middle of it, and its end had not come",
			"*record.LayoutChange", "unread its beginning may be missing", "weighing 7.000 g")
	})
}

// TestTheSameLayoutAgainChangesNothing, whatever the name of its file, also while another waits.
func TestTheSameLayoutAgainChangesNothing(t *testing.T) {
	b := newBench(t, free, nil, nil)
	same, err := layout.Parse("elsewhere.yaml", []byte(free))
	if err != nil {
		t.Fatal(err)
	}
	b.Up(time.Now().Add(-time.Hour))
	sent(b, "12.")
	if err := b.UseLayout(mustLayout(t, oldLines)); err != nil {
		t.Fatal(err)
	}
	if err := b.UseLayout(same); err != nil {
		t.Fatal(err)
	}
	sent(b, "345 g\n")
	expect(t, b.out.first(), "port-up 1", "weighing 12.345 g")
	if b.layout.Name() != "elsewhere.yaml" {
		t.Errorf("the layout is called %s", b.layout.Name())
	}
	if err := b.UseLayout(nil); err == nil || !strings.Contains(err.Error(), "b-12") {
		t.Errorf("no layout at all: %v", err)
	}
}

// TestOtherFramesBeginAfterASilence: a layout that cuts the stream otherwise may find itself in the middle of a frame.
func TestOtherFramesBeginAfterASilence(t *testing.T) {
	block := "frame: {ends: [\"\\n\"], block: {last: [\"end\"]}}\nblock: [{line: \"lot\", optional: true}, {line: \"{weight} {unit}\"}, {line: \"end\"}]\n"
	for _, c := range []struct {
		silence time.Duration
		want    string
	}{{10 * time.Millisecond, "unread its beginning may be missing"}, {time.Second, "weighing 3.000 g"}} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(t, free, nil, nil)
			if err := during(t, b, func(h port.Handler) {
				quietly(h)
				sent(h, "lot\n")
				if err := b.UseLayout(mustLayout(t, block)); err != nil {
					t.Fatal(err)
				}
				time.Sleep(c.silence)
				sent(h, "3.000 g\nend\n")
			}); err != nil {
				t.Fatal(err)
			}
			expect(t, b.journal.bodies()[3:], c.want)
		})
	}
}

// TestTheIdleGapIsThatOfTheLayoutInUse: a port's line is told of another one.
func TestTheIdleGapIsThatOfTheLayoutInUse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, "frame: {idle_gap: 200ms}\n"+free, nil, nil)
		var gap time.Duration
		after := mustLayout(t, "frame: {ends: [\"\\n\"], idle_gap: 3s}\n"+free)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			b.line = gapLine{b.line, &gap}
			sent(h, "12.345 g")
			if err := b.UseLayout(after); err != nil {
				t.Fatal(err)
			}
			time.Sleep(200 * time.Millisecond)
			h.Idle(time.Now())
			sent(h, "7.000 g\n")
		}); err != nil {
			t.Fatal(err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 12.345 g", "*record.LayoutChange", "weighing 7.000 g")
		if gap != 3*time.Second {
			t.Errorf("the port's line watches for a gap of %s", gap)
		}
	})
}

type gapLine struct {
	Line
	gap *time.Duration
}

func (g gapLine) SetIdleGap(d time.Duration) { *g.gap = d }
