package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/clock"
	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// anchored is a made-up layout whose lines all begin with a W.
const anchored = `
line: "W {weight} {unit} {stability}"
weight: {over: ["+++++"], under: ["-----"]}
stability: {"S": stable, "M": unstable, "-": unknown}
`

// free is one in which the rest of a cut line reads as another weight.
const free = `line: "{weight} {unit}"`

func mustLayout(t testing.TB, src string) *layout.Layout {
	t.Helper()
	l, err := layout.Parse("test.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func mustQuantity(t testing.TB, s string) Quantity {
	t.Helper()
	q, err := ParseQuantity(s)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// script is a line that does what a test says.
type script func(ctx context.Context, h port.Handler) error

func (s script) Run(ctx context.Context, h port.Handler) error { return s(ctx, h) }

// memory is a journal in memory that can be stopped.
type memory struct {
	mu      sync.Mutex
	stopped error
	entries []record.Body
	ids     []string
	appends int
	hold    chan struct{} // if not nil, appends wait for it
}

func (m *memory) Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error) {
	if m.hold != nil {
		select {
		case <-m.hold:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.appends++
	if m.stopped != nil {
		return nil, m.stopped
	}
	var out []record.Entry
	for _, b := range bodies {
		id := fmt.Sprintf("site/inc/%s/%06d", b.Subject(), len(m.entries)+1)
		m.entries, m.ids = append(m.entries, b), append(m.ids, id)
		out = append(out, record.Entry{Seq: uint64(len(m.entries)), Kind: b.Kind(), ID: id, Balance: b.Subject()})
	}
	return out, nil
}

func (m *memory) stop(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.stopped = err
}

func (m *memory) bodies() []record.Body {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.entries)
}

// screen keeps what was published.
type screen struct {
	mu   sync.Mutex
	seen []record.Live // but for answers
	told []record.Live // answers
}

func (s *screen) Publish(l record.Live) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if l.Answer != nil {
		s.told = append(s.told, l)
		return
	}
	s.seen = append(s.seen, l)
}

func (s *screen) all() []record.Live {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.seen)
}

func (s *screen) answers() []record.Live {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.told)
}

// bench is one balance with everything around it in memory.
type bench struct {
	*Intake
	journal *memory
	screen  *screen
	board   *health.Board
}

func newBench(t testing.TB, src string, change func(*Config), run script) *bench {
	t.Helper()
	cfg := Config{ID: "b-12", Readability: mustQuantity(t, "0.001 g"), Layout: "test.yaml",
		Port: port.Config{Address: "/dev/ttyS9", Speed: 9600}}
	if change != nil {
		change(&cfg)
	}
	b := &bench{journal: &memory{}, screen: &screen{}, board: health.New(time.Now)}
	var scanner Line
	if cfg.Scanner != nil {
		scanner = script(func(ctx context.Context, _ port.Handler) error { <-ctx.Done(); return nil }) // the test calls its handler
	}
	in, err := New(cfg, Deps{
		Line: run, Scanner: scanner, Layout: mustLayout(t, src), Recorder: b.journal, Live: b.screen, Clock: clock.System{Zone: time.UTC},
		Health: b.board, Software: record.Software{Version: "test", Config: "sha256:00"}, Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	b.Intake = in
	return b
}

// sent hands over a text as if it had just been read, a while after the port was opened.
func sent(h port.Handler, text string) { h.Bytes([]byte(text), port.Arrival{At: time.Now()}) }

// quietly opens the port and lets the line be silent for a while.
func quietly(h port.Handler) {
	h.Up(time.Now())
	time.Sleep(time.Second) // in a synctest bubble
}

// told gives the entries in short: kind and digits, or reason, or count.
func told(bodies []record.Body) (out []string) {
	for _, b := range bodies {
		switch b := b.(type) {
		case *record.Weighing:
			out = append(out, "weighing "+b.Value.Digits+" "+b.Value.Unit)
		case *record.Result:
			out = append(out, "result "+b.Value.Digits+" "+b.Value.Unit)
		case *record.Unread:
			reason, _, _ := strings.Cut(b.Reason, ":")
			out = append(out, "unread "+reason)
		case *record.UnreadSummary:
			out = append(out, fmt.Sprintf("unread %d more", b.Frames))
		case *record.PortChange:
			out = append(out, fmt.Sprintf("%s %d", b.Kind(), b.Times))
		case *record.Gap:
			out = append(out, fmt.Sprintf("gap %d", b.Readings))
		default:
			out = append(out, fmt.Sprintf("%T", b))
		}
	}
	return out
}

func expect(t *testing.T, bodies []record.Body, want ...string) {
	t.Helper()
	if got := told(bodies); !slices.Equal(got, want) {
		t.Errorf("entries:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// during runs the pipeline with a line that does what act says and then waits for the end.
func during(t *testing.T, b *bench, act func(h port.Handler)) error {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	b.line = script(func(ctx context.Context, h port.Handler) error {
		act(h)
		cancel()
		<-ctx.Done()
		h.Down(time.Now(), fmt.Errorf("weighpost stopped reading: %w", context.Cause(ctx)))
		return nil
	})
	defer cancel()
	return b.Run(ctx)
}

func TestAPrintedLineBecomesAWeighing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, `line: "{date} {time} {sample} W {weight} {unit} {stability}"`+"\n"+
			`stability: {"S": stable}`+"\ndate: {order: year-month-day}\n", func(c *Config) {
			c.Serial, c.Place, c.Capacity = "s-77", "seed room", mustQuantity(t, "220 g")
		}, nil)
		line := "2026-11-25 10:04:05 lot-0815 W +12.3450 g S\r\n"
		var began time.Time
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			began = time.Now()
			sent(h, line)
			synctest.Wait()
			if s := b.Status(); s.Recorded != 1 || s.LastID != "site/inc/b-12/000002" || !s.PortUp || s.Frames != 1 {
				t.Errorf("status %+v", s)
			}
		}); err != nil {
			t.Fatal(err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing +12.3450 g")
		w := b.journal.bodies()[1].(*record.Weighing)
		wire := time.Duration(len(line)) * 10 * time.Second / 9600 // a start, eight data and a stop bit for each character
		if got := began.Sub(w.Stamp.UTC.Time()); got < wire || got > wire+time.Microsecond {
			t.Errorf("the stamp is %s before the arrival, the wire time is %s", got, wire)
		}
		if string(w.Frame) != line || w.Context.Sample == nil || *w.Context.Sample != (record.Learnt{ID: "lot-0815", By: "printed"}) ||
			w.Stamp.BalancePrinted != "2026-11-25 10:04:05" || w.Trigger != "printed" || w.Fitness.State != "unknown" ||
			w.Layout != mustLayoutHash(b) || w.Port != "/dev/ttyS9" {
			t.Errorf("weighing %+v", w)
		}
		if w.Balance != (record.Balance{ID: "b-12", Serial: "s-77", Place: "seed room", Capacity: "220 g", Readability: "0.001 g", Identity: "confirmed"}) {
			t.Errorf("balance %+v", w.Balance)
		}
		js, err := json.Marshal(w)
		if err != nil || !strings.Contains(string(js), `"verdicts":[]`) || !strings.Contains(string(js), `"person":null`) {
			t.Errorf("%s, %v", js, err)
		}
		live := b.screen.all()
		if len(live) != 2 || live[0].Recorded != "" || live[0].Value.Digits != "+12.3450" || live[1].Recorded != "site/inc/b-12/000002" {
			t.Errorf("live %+v", live)
		}
	})
}

func mustLayoutHash(b *bench) string { return b.layout.Hash() }

func TestWhatIsNoWeighingUnderPrinted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			sent(h, "W +++++ g -\nW ----- g -\nW 12 pcs S\nW 1.5 % S\nhello\nW 1.500 g S\n")
			s := b.Status()
			if s.LastUnread == nil || string(s.LastUnread.Frame) != "hello\n" || s.LastUnread.Why == "" || s.Unread != 3 || !s.Unprotected {
				t.Errorf("status %+v, last unread %+v", s, s.LastUnread)
			}
		}); err != nil {
			t.Fatal(err)
		}
		got := told(b.journal.bodies())
		if len(got) != 7 || got[1] != "unread over range" || got[2] != "unread under range" || got[3] != "result 12 " ||
			got[4] != "result 1.5 %" || !strings.HasPrefix(got[5], "unread ") || got[6] != "weighing 1.500 g" {
			t.Errorf("%q", got)
		}
	})
}

func TestTheJournalStopsAndResumes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		full := errors.New("the disk is full")
		const printed = room + 500
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			synctest.Wait()
			b.journal.stop(full)
			for i := range printed {
				sent(h, fmt.Sprintf("W %d.000 g S\n", i+1))
				time.Sleep(10 * time.Millisecond)
			}
			for _, l := range b.screen.all() {
				if l.Recorded != "" {
					t.Fatal("a reading is shown as recorded, and the journal has refused it")
				}
			}
			if n := len(b.screen.all()); n != printed {
				t.Errorf("the screen has seen %d of %d readings", n, printed)
			}
			list := b.board.List()
			if len(list) != 1 || list[0].Code != notRecorded || list[0].Severity != health.Error ||
				!strings.Contains(list[0].Sentence, "the disk is full. 1024 wait in memory, and") {
				t.Errorf("conditions %+v", list)
			}
			b.journal.stop(nil)
			time.Sleep(5 * time.Second)
			if list := b.board.List(); len(list) != 0 {
				t.Errorf("conditions %+v", list)
			}
			sent(h, "W 9.000 g S\n")
		}); err != nil {
			t.Fatal(err)
		}
		bodies := b.journal.bodies()
		want := []string{"port-up 1"}
		for i := range room {
			want = append(want, fmt.Sprintf("weighing %d.000 g", i+1))
		}
		expect(t, bodies, append(want, fmt.Sprintf("gap %d", printed-room), "weighing 9.000 g")...)
		g := bodies[room+1].(*record.Gap)
		if g.Why != full.Error() || !g.From.UTC.Time().Before(g.To.UTC.Time()) {
			t.Errorf("gap %+v", g)
		}
		if got := b.Status(); got.Recorded != room+1 || got.Unkept != printed-room || got.Waiting != 0 {
			t.Errorf("status %+v", got)
		}
	})
}

// What the journal never takes is said at the stop, and the stop does not wait for ever.
func TestTheStopHasALimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		b.journal.hold = make(chan struct{})
		began := time.Now()
		err := during(t, b, func(h port.Handler) { quietly(h); sent(h, "W 1.000 g S\n") })
		if err == nil || !strings.Contains(err.Error(), "2 entries were received and could not be recorded") {
			t.Errorf("error %v", err)
		}
		if took := time.Since(began); took > time.Second+drainLimit {
			t.Errorf("the stop took %s", took)
		}
	})
}

// The port's goroutine is never delayed by an append that hangs, and what queued meanwhile goes into few appends.
func TestTheReaderNeverWaitsForTheDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		b.journal.hold = make(chan struct{})
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			began := time.Now()
			for i := range 500 {
				sent(h, fmt.Sprintf("W %d.000 g S\n", i))
			}
			if took := time.Since(began); took != 0 {
				t.Errorf("reading took %s of the bubble's time", took)
			}
			close(b.journal.hold)
		}); err != nil {
			t.Fatal(err)
		}
		if n := len(b.journal.bodies()); n != 501 || b.journal.appends > 4 {
			t.Errorf("%d entries in %d appends", n, b.journal.appends)
		}
	})
}

// A journal that hangs without an error is said as well, and what did not fit is an entry in its place.
func TestAHangingJournalIsSaid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		b.journal.hold = make(chan struct{})
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			for i := range room + 9 { // the entry of the port is the first that waits
				sent(h, fmt.Sprintf("W %d.000 g S\n", i))
			}
			if l := b.board.List(); len(l) != 1 || l[0].Code != notRecorded || !strings.Contains(l[0].Sentence, "does not keep up. 1024 wait in memory") {
				t.Errorf("conditions %+v", l)
			}
			close(b.journal.hold)
			synctest.Wait()
			if l := b.board.List(); len(l) != 0 {
				t.Errorf("conditions %+v", l)
			}
		}); err != nil {
			t.Fatal(err)
		}
		bodies := b.journal.bodies()
		g, ok := bodies[len(bodies)-1].(*record.Gap)
		if !ok || g.Readings != 10 || g.Why != "recording did not keep up" || len(bodies) != room+1 {
			t.Errorf("%d entries, the last %+v", len(bodies), bodies[len(bodies)-1])
		}
	})
}
