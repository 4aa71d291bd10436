package demo

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"sync"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// balance is one simulated instrument: it prints by its layout, backwards, and remembers what it printed.
type balance struct {
	model
	id     string
	layout *layout.Layout
	wire   io.Writer
	dice   *rand.Rand
	hand   hand // nil: nobody says who weighs and what

	mu     sync.Mutex
	pan    []byte // what it answers when it is asked
	truth  []printed
	noise  int // frames that were printed and are no weighing
	number int
}

// model is how a kind of balance behaves.
type model struct {
	layout   string // file name in configs/layouts
	place    string
	capacity string
	d        string // readability, with unit
	unit     string
	decimals int
	least    int64 // of the lots it weighs, in units of the last decimal
	most     int64
	streams  bool // prints all the time, ten lines a second; else on its print key
	banner   bool // prints a greeting when it is switched on, which no layout explains
	labels   bool // prints the sample in each of its blocks
	asked    bool // speaks only when asked, where the line of this system can carry a question and somebody asks
}

func (b *balance) draw() int64 { return b.least + b.dice.Int64N(b.most-b.least) }

// digits writes n units of the last decimal.
func (m *model) digits(n int64) string {
	scale := int64(1)
	for range m.decimals {
		scale *= 10
	}
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	if m.decimals == 0 {
		return fmt.Sprintf("%s%d", sign, n)
	}
	return fmt.Sprintf("%s%d.%0*d", sign, n/scale, m.decimals, n%scale)
}

func (b *balance) values(n int64, s layout.Stability) layout.Values {
	return layout.Values{
		Digits: b.digits(n), Unit: b.unit, Kind: layout.KindNet, Stability: s,
		Sample: b.label(), Balance: b.id, Count: "1",
		Date: "2026-11-25", Time: time.Now().Format("15:04:05"),
	}
}

func (b *balance) label() string { return fmt.Sprintf("LOT-%04d", 1000+b.number) }

func (b *balance) send(v layout.Values) error {
	frame, err := b.layout.Print(nil, v)
	if err != nil {
		return err
	}
	_, err = b.wire.Write(frame)
	return err
}

// remember notes a weighing that everything behind the line must now account for.
func (b *balance) remember(n int64, meant ties) {
	if b.labels {
		meant.sample = tie{b.label(), record.ByPrinted}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.truth = append(b.truth, printed{b.digits(n), b.unit, meant})
}

// run prints until ctx ends. A load that lies on the pan then is weighed to its end.
func (b *balance) run(ctx context.Context, rate float64) error {
	if b.banner {
		b.mu.Lock()
		b.noise++
		b.mu.Unlock()
		if _, err := io.WriteString(b.wire, "*** switched on, self test passed ***\r\n"); err != nil {
			return err
		}
	}
	for ctx.Err() == nil {
		var err error
		if b.streams {
			err = b.weighLoad()
		} else {
			err = b.pressPrint(ctx, rate)
		}
		if err != nil {
			return fmt.Errorf("simulated balance %s: %w", b.id, err)
		}
	}
	return nil
}

// pressPrint waits as a person at the balance would, and prints one weighing. Where somebody says who weighs and what, that
// comes first.
func (b *balance) pressPrint(ctx context.Context, rate float64) error {
	wait := time.Duration((0.5 + b.dice.Float64()) / rate * float64(time.Second))
	meant := ties{}
	if b.hand != nil {
		b.hand.awaitRecorded(ctx, len(b.truth))
		if !pause(ctx, max(wait/4, apart)) {
			return nil
		}
		var err error
		if meant, err = b.hand.tie(ctx, b.number); err != nil {
			return err
		}
		wait = max(wait*3/4, apart)
	}
	if !pause(ctx, wait) {
		return nil
	}
	b.number++
	n := b.draw()
	if err := b.weigh(ctx, n); err != nil {
		return err
	}
	b.remember(n, meant)
	return nil
}

// weigh prints a weighing on the print key, or, where somebody asks this balance instead, has it lie on the pan until it was
// asked for.
func (b *balance) weigh(ctx context.Context, n int64) error {
	asks, ok := b.hand.(asker)
	if !ok || !b.asked {
		return b.send(b.values(n, layout.Stable))
	}
	frame, err := b.layout.Print(nil, b.values(n, layout.Stable))
	if err != nil {
		return err
	}
	empty := b.lay(frame)
	defer b.lay(empty)
	return asks.askWeight(context.WithoutCancel(ctx)) // to its end: what was asked for counts
}

// lay puts on the pan what answers say from now on, and gives what they said before.
func (b *balance) lay(frame []byte) (before []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	before, b.pan = b.pan, frame
	return before
}

// question is what a balance of the demo is asked with.
const question = 0x05

// answer answers questions until the line is pulled.
func (b *balance) answer(line io.Reader) {
	buf := make([]byte, 16)
	for {
		n, err := line.Read(buf)
		if err != nil {
			return
		}
		b.mu.Lock()
		frame := b.pan
		b.mu.Unlock()
		if bytes.IndexByte(buf[:n], question) >= 0 {
			_, _ = b.wire.Write(frame) // it fails once the line is pulled
		}
	}
}

// pause says whether all of it went by before ctx ended.
func pause(ctx context.Context, d time.Duration) bool {
	select {
	case <-time.After(d):
		return ctx.Err() == nil
	case <-ctx.Done():
		return false
	}
}

const streamPeriod = 100 * time.Millisecond

// weighLoad streams one load coming, resting and going. It counts as a weighing once it has rested.
func (b *balance) weighLoad() error {
	b.number++
	load := b.draw()
	phases := []struct {
		frames    int
		stability layout.Stability
		weight    func(i int) int64
	}{
		{6, layout.Stable, func(int) int64 { return 0 }},
		{4, layout.Unstable, func(i int) int64 { return load * int64(i+1) / 5 }},
		{12, layout.Stable, func(int) int64 { return load }},
		{3, layout.Unstable, func(i int) int64 { return load * int64(3-i) / 5 }},
	}
	for _, p := range phases {
		for i := range p.frames {
			if err := b.send(b.values(p.weight(i), p.stability)); err != nil {
				return err
			}
			time.Sleep(streamPeriod)
		}
		if p.frames == 12 {
			b.remember(load, ties{})
		}
	}
	return nil
}
