package intake

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// listening is a balance whose port was opened a while ago.
func listening(t *testing.T, src string) *bench {
	b := newBench(t, src, nil, nil)
	b.Up(time.Now().Add(-time.Hour))
	b.out.done(1, "")
	return b
}

// drain empties the outbox, and counts entries by kind.
func (b *bench) drain(kinds map[record.Kind]int) {
	for batch := b.out.first(); len(batch) > 0; batch = b.out.first() {
		for _, e := range batch {
			kinds[e.Kind()]++
		}
		b.out.done(len(batch), "")
	}
}

// one gives the one condition that holds, or fails.
func one(t *testing.T, b *bench, code string) health.Condition {
	t.Helper()
	list := b.board.List()
	if len(list) != 1 || list[0].Code != code {
		t.Fatalf("conditions %+v, want the one %s", list, code)
	}
	if list[0].Sentence == "" || list[0].Remedy == "" || list[0].Subject != "b-12" {
		t.Fatalf("it says too little: %+v", list[0])
	}
	return list[0]
}

func none(t *testing.T, b *bench) {
	t.Helper()
	if list := b.board.List(); len(list) != 0 {
		t.Fatalf("conditions %+v, want none", list)
	}
}

// TestAWrongSpeedIsOneConditionAndNeverAWeight: over all pairs of speeds and framings of a line model, whatever the driver.
func TestAWrongSpeedIsOneConditionAndNeverAWeight(t *testing.T) {
	for _, driver := range []string{"native", "library", "server"} {
		t.Run(driver, func(t *testing.T) {
			t.Parallel()
			said := map[string]int{}
			for _, from := range speeds {
				for _, as := range speeds {
					for _, framing := range []string{"8N1", "7E1"} {
						if from == as {
							continue
						}
						b := listening(t, anchored)
						reads, arrivals := heardBy(at(framing, from), at(framing, as), printedLines(40), driver, (from+as)%200 == 0)
						for i := range reads {
							arrivals[i].At = time.Now()
							if len(reads[i]) > 0 {
								b.Bytes(reads[i], arrivals[i])
							} else if len(arrivals[i].Breaks) > 0 {
								b.Breaks(len(arrivals[i].Breaks), time.Now())
							}
						}
						kinds := map[record.Kind]int{}
						b.drain(kinds)
						if kinds[record.KindWeighing]+kinds[record.KindResult] > 0 {
							t.Errorf("%s, %s at %d heard at %d: a weighing", driver, framing, from, as)
						}
						list := b.board.List()
						if len(list) > 1 {
							t.Errorf("%s, %s at %d heard at %d: %d conditions: %+v", driver, framing, from, as, len(list), list)
						}
						for _, c := range list {
							said[c.Code]++
						}
					}
				}
			}
			t.Logf("%s: of 180 pairs %v", driver, said)
			if driver != "server" && said[health.WrongSettings]+said[health.NULFlood] < 170 {
				t.Errorf("%s: a wrong speed is rarely said", driver)
			}
		})
	}
}

// TestTheConditionOfAWrongParityNamesTheRightOne, and the first good frame ends it.
func TestTheConditionOfAWrongParityNamesTheRightOne(t *testing.T) {
	for framing, says := range map[string]string{"7E1": "7 data bits with even parity", "7O1": "7 data bits with odd parity", "7N2": "two stop bits"} {
		b := listening(t, anchored)
		reads, _ := heardBy(at(framing, 9600), at("8N1", 9600), printedLines(8), "native", false)
		for _, p := range reads {
			sent(b, string(p))
		}
		c := one(t, b, health.WrongSettings)
		if !strings.Contains(c.Sentence, says) || !strings.Contains(c.Sentence, "9600 8N1") || !strings.Contains(c.Remedy, "data_bits: 7") {
			t.Errorf("%s: %s %s", framing, c.Sentence, c.Remedy)
		}
		sent(b, "W 1.000 g S\r\n")
		sent(b, "W 1.000 g S\r\n")
		none(t, b)
	}
}

// TestRecordedStreamsRaiseNoAlarm: through their own layouts and, where nothing fits, through another's, in reads of any
// size, not one recorded stream looks like another speed or parity, a flood, mixed or missing line ends. The one that
// begins with noise may, until its first good frame.
func TestRecordedStreamsRaiseNoAlarm(t *testing.T) {
	paths, _ := filepath.Glob("../../testdata/streams/*.bytes")
	if len(paths) < 30 {
		t.Fatalf("%d streams", len(paths))
	}
	for _, path := range paths {
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		src, err := os.ReadFile(strings.TrimSuffix(path, ".bytes") + ".layout.yaml")
		if err != nil {
			continue // a layout of the examples: the same frames
		}
		l, err := layout.Parse(path, src)
		if err != nil {
			t.Fatal(err)
		}
		for _, size := range []int{1, 7, 4096} {
			b := newBench(t, l.Text(), nil, nil)
			b.Up(time.Now().Add(-time.Hour))
			for p := range slices.Chunk(raw, size) {
				sent(b, string(p))
				b.drain(map[record.Kind]int{})
				for _, c := range b.board.List() {
					if filepath.Base(path) != "noise.bytes" && c.Code != health.UnreadFrames && c.Code != health.WrongBalance {
						t.Fatalf("%s in reads of %d: %s %s", filepath.Base(path), size, c.Code, c.Sentence)
					}
				}
			}
			if filepath.Base(path) == "noise.bytes" {
				none(t, b)
			}
		}
	}
}

// TestAFloodOfNULIsOneConditionInBoundedMemory: a megabyte of NUL costs few entries.
func TestAFloodOfNULIsOneConditionInBoundedMemory(t *testing.T) {
	b := listening(t, anchored)
	kinds := map[record.Kind]int{}
	changes := 0
	b.board.OnChange(func() { changes++ })
	grown := allocated(func() {
		for range 256 {
			sent(b, string(make([]byte, 4096)))
			b.drain(kinds)
		}
	})
	if c := one(t, b, health.NULFlood); !strings.Contains(c.Sentence, "NUL") {
		t.Error(c.Sentence)
	}
	if n := kinds[record.KindUnread] + kinds[record.KindUnreadSummary]; n > 25 || changes > 2 || grown > 1<<20 {
		t.Errorf("%v, %d changes of conditions, %d bytes more in memory", kinds, changes, grown)
	}
	sent(b, "\nW 1.000 g S\n")
	none(t, b)
}

// allocated is by how much the heap in use has grown.
func allocated(f func()) int64 {
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	f()
	runtime.GC()
	runtime.ReadMemStats(&after)
	return int64(after.HeapAlloc) - int64(before.HeapAlloc)
}

// TestAFrameWithoutEndIsSaid: ten megabytes without a line end, a hundred with WEIGHPOST_LONG=1, cost no memory; the
// condition says what is waited for, and what came instead.
func TestAFrameWithoutEndIsSaid(t *testing.T) {
	b := listening(t, anchored)
	kinds := map[record.Kind]int{}
	p := bytes.Repeat([]byte("W 1.000 g S "), 5461) // 64 kB
	megabytes := 10
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		megabytes = 100
	}
	grown := allocated(func() {
		for n := 0; n < megabytes<<20; n += len(p) {
			sent(b, string(p))
		}
	})
	c := one(t, b, health.NoFrameEnd)
	if !strings.Contains(c.Sentence, "waits for CR LF or LF, and no line end of any kind comes") || grown > 1<<20 {
		t.Errorf("%d bytes more in memory: %s", grown, c.Sentence)
	}
	sent(b, "\n")
	sent(b, "W 1.000 g S\n")
	none(t, b)
	b.drain(kinds)
	if kinds[record.KindUnread] != 1 || kinds[record.KindWeighing] != 1 {
		t.Errorf("entries %v", kinds)
	}
}

// TestAnotherLineEndIsNamed: CR where CR LF is expected is said after three lines, and nothing that was printed is lost.
func TestAnotherLineEndIsNamed(t *testing.T) {
	b := listening(t, anchored)
	for i := range 4 {
		sent(b, fmt.Sprintf("W %d.000 g S\r", i))
	}
	if c := one(t, b, health.NoFrameEnd); !strings.Contains(c.Sentence, "CR comes instead (3 times)") {
		t.Error(c.Sentence)
	}
	b.finish()
	got := b.out.first()
	if u, ok := got[0].(*record.Unread); !ok || len(u.Frame) != 4*12 {
		t.Errorf("kept: %+v", got)
	}
}

// TestMixedLineEndsAreNamedAndJoinNoLines: where the layout does not name all that come, lines that ran together are unread.
func TestMixedLineEndsAreNamedAndJoinNoLines(t *testing.T) {
	b := listening(t, free)
	for range 3 {
		sent(b, "1.000 g\r\n2.000 g\r3.000 g\n4.000 g\n")
	}
	if c := one(t, b, health.MixedLineEnds); !strings.Contains(c.Sentence, "CR and LF") || !strings.Contains(c.Sentence, "waits for CR LF or LF") {
		t.Error(c.Sentence)
	}
	printed := ""
	for _, e := range b.out.first() {
		switch e := e.(type) {
		case *record.Weighing:
			if e.Value.Digits != "1.000" && e.Value.Digits != "4.000" {
				t.Errorf("lines ran together as %s", e.Value.Digits)
			}
			printed += string(e.Frame)
		case *record.Unread:
			printed += string(e.Frame)
		}
	}
	if printed != strings.Repeat("1.000 g\r\n2.000 g\r3.000 g\n4.000 g\n", 3) {
		t.Errorf("journalled %q", printed)
	}
	for range cleanRun {
		sent(b, "1.000 g\r\n")
	}
	none(t, b)

	all := listening(t, oldLines) // names all three
	sent(all, "1.000 g\r\n2.000 g\r3.000 g\n4.000 g\r")
	none(t, all)
	expect(t, all.out.first(), "weighing 1.000 g", "weighing 2.000 g", "weighing 3.000 g", "weighing 4.000 g")
}

// TestBreaksAreCountedAndThreeAreACondition, for as long as they are not ten minutes ago.
func TestBreaksAreCountedAndThreeAreACondition(t *testing.T) {
	b := listening(t, anchored)
	now := time.Now()
	line := func() { b.Bytes([]byte("W 1.000 g S\n"), port.Arrival{At: now}) }
	line()
	for range 2 {
		b.Breaks(1, now)
		now = now.Add(time.Minute)
		line()
	}
	none(t, b)
	b.Bytes([]byte("W 1.000 g S\n"), port.Arrival{At: now, Breaks: []int{0}})
	if c := one(t, b, health.LineBreaks); !strings.Contains(c.Sentence, "3 times") {
		t.Error(c.Sentence)
	}
	if n := b.Status().Breaks; n != 3 {
		t.Errorf("%d breaks counted", n)
	}
	now = now.Add(11 * time.Minute)
	line()
	none(t, b)
}

// TestOneByteASecondIsReadLikeAnyOther.
func TestOneByteASecondIsReadLikeAnyOther(t *testing.T) {
	b := listening(t, anchored)
	now := time.Now()
	for _, c := range []byte("W 1.000 g S\r\nW 2.000 g S\r\n") {
		b.Bytes([]byte{c}, port.Arrival{At: now})
		now = now.Add(time.Second)
	}
	none(t, b)
	expect(t, b.out.first(), "weighing 1.000 g", "weighing 2.000 g")
}

// TestNoisyBitsAreCaughtByParity: each bit of a line flipped in turn. With even parity and a driver that marks damage no
// flip in a character is a weight; without parity some are, which is why the configuration warns of it.
func TestNoisyBitsAreCaughtByParity(t *testing.T) {
	const text = "W 1.5 g S\r\n"
	for framing, want := range map[string]int{"7E1": 0, "8E1": 0, "8N1": -1} {
		s := at(framing, 9600)
		clean := s.Send([]byte(text), 40)
		other := 0
		for bit := range clean.Levels {
			w := uart.Wave{Speed: clean.Speed, Levels: slices.Clone(clean.Levels)}
			w.Levels[bit] = !w.Levels[bit]
			b := listening(t, anchored)
			var p []byte
			a := port.Arrival{At: time.Now()}
			for _, c := range s.Receive(w, false) {
				if c.Break {
					a.Breaks = append(a.Breaks, len(p))
					continue
				}
				if c.Damaged {
					a.Damaged = append(a.Damaged, len(p))
					c.Value = 0
				}
				p = append(p, c.Value)
			}
			b.Bytes(p, a)
			for _, e := range b.out.first() {
				if w, ok := e.(*record.Weighing); ok && w.Value.Digits != "1.5" {
					other++
				}
			}
		}
		t.Logf("%s: %d of %d flipped bits read as another weight", framing, other, len(clean.Levels)-40)
		if want == 0 && other != 0 || want < 0 && other == 0 {
			t.Errorf("%s: %d flipped bits read as another weight", framing, other)
		}
	}
}

// TestRandomBytesAreNeverAWeight and cost a bounded number of entries and conditions.
func TestRandomBytesAreNeverAWeight(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 0))
	b := listening(t, anchored)
	b.cfg.Port.Speed = 4_000_000 // the bytes come faster than a slow line brings them, and must not seem to have come before others
	kinds := map[record.Kind]int{}
	p := make([]byte, 4096)
	for range 256 {
		for i := range p {
			p[i] = byte(dice.Uint32())
		}
		sent(b, string(p))
		b.drain(kinds)
	}
	one(t, b, health.WrongSettings)
	if kinds[record.KindWeighing] > 0 || kinds[record.KindUnread] > 40 {
		t.Errorf("entries %v", kinds)
	}
}
