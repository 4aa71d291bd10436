package refusals

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

type pages struct {
	mu   sync.Mutex
	list []*record.Refused
	fail error
}

func (p *pages) Append(_ context.Context, bodies ...record.Body) ([]record.Entry, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fail != nil {
		return nil, p.fail
	}
	for _, b := range bodies {
		p.list = append(p.list, b.(*record.Refused))
	}
	return make([]record.Entry, len(bodies)), nil
}

func (p *pages) all() []*record.Refused {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]*record.Refused{}, p.list...)
}

// running runs a book in a bubble of time until the test ends it.
func running(t *testing.T) (b *Book, p *pages, stop func()) {
	t.Helper()
	p = &pages{}
	b = New(p, func() record.Stamp {
		return record.Stamp{UTC: record.UTC(time.Now()), Zone: "+00:00", Clock: "unchecked"}
	}, slog.New(slog.DiscardHandler))
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); b.Run(ctx) }()
	return b, p, func() { cancel(); <-done }
}

// held is how many addresses are remembered.
func held(b *Book) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.by)
}

var nobody = record.Actor{By: record.ActorUnknown}

// TestTheFirstIsAnEntryAtOnceAndTheRestOneAMinute: with the count, from when on, and what the last of them was.
func TestTheFirstIsAnEntryAtOnceAndTheRestOneAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, p, stop := running(t)
		b.Note("PUT /a", "192.0.2.7", "wrong token", nobody)
		synctest.Wait()
		if l := p.all(); len(l) != 1 || l[0].Times != 1 || l[0].Address != "192.0.2.7" || l[0].What != "PUT /a" || l[0].Why != "wrong token" {
			t.Fatalf("%+v", l)
		}
		for range 500 {
			time.Sleep(100 * time.Millisecond)
			b.Note("DELETE /b", "192.0.2.7", "wrong token", nobody)
		}
		synctest.Wait()
		if n := len(p.all()); n != 1 {
			t.Errorf("%d entries within the minute", n)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		l := p.all()
		if len(l) != 2 || l[1].Times != 500 || l[1].What != "DELETE /b" || !l[1].From.Time().Before(l[1].Stamp.UTC.Time()) {
			t.Errorf("%+v", l[1])
		}
		time.Sleep(3 * time.Minute)
		if held(b) != 0 {
			t.Error("an address is remembered for ever")
		}
		b.Note("PUT /a", "192.0.2.7", "wrong token", nobody)
		stop()
		if l := p.all(); len(l) != 3 || l[2].Times != 1 {
			t.Errorf("%+v", l)
		}
	})
}

// TestNobodyCanFillTheDisk: a day of attempts from ever new addresses, with long texts that steer terminals; every one counts.
func TestNobodyCanFillTheDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, p, stop := running(t)
		attempts := uint64(0)
		for i := range 24 * 60 * 12 { // every five seconds
			for k := range 5 {
				b.Note("PUT /\x1b[31m"+strings.Repeat("x", 10_000), fmt.Sprintf("2001:db8::%x:%x", i, k), "wrong", nobody)
				attempts++
			}
			time.Sleep(5 * time.Second)
		}
		if n := held(b); n > room+1 {
			t.Errorf("%d addresses are held", n)
		}
		stop()
		var told uint64
		for _, e := range p.all() {
			told += e.Times
			if len(e.What) > 4*textLimit || strings.Contains(e.What, "\x1b") {
				t.Fatalf("%q", e.What)
			}
		}
		if n := len(p.all()); n > 24*60+burst+room+1 || told != attempts {
			t.Errorf("%d entries, %d of %d attempts are told", n, told, attempts)
		}
	})
}

// TestWhatCannotBeRecordedIsKept: while the journal does not record.
func TestWhatCannotBeRecordedIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, p, stop := running(t)
		p.fail = errors.New("the disk is full")
		b.Note("PUT /a", "192.0.2.7", "wrong", nobody)
		time.Sleep(20 * time.Second)
		b.Note("PUT /a", "192.0.2.7", "wrong", nobody)
		p.mu.Lock()
		p.fail = nil
		p.mu.Unlock()
		time.Sleep(20 * time.Second)
		stop()
		if l := p.all(); len(l) != 1 || l[0].Times != 2 || l[0].Stamp.UTC.Time().Sub(l[0].From.Time()) != 20*time.Second {
			t.Errorf("%+v", l)
		}
	})
}
