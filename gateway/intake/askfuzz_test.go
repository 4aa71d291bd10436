package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// tape is everything that a balance sent, and where it stood when it was asked last.
type tape struct {
	mu    sync.Mutex
	all   []byte
	asked int
}

// FuzzAsked has a balance send anything at any time while it is asked. Nothing panics or hangs, and the frame of an answer is
// one that the balance began to send after the question had reached it: where it stood then is known here.
func FuzzAsked(f *testing.F) {
	f.Add([]byte{2, 3})
	f.Add([]byte("\x02\x01\x40\x03\x01\xff\x02\x03"))
	f.Add([]byte("\x10W 1.00\x02\x01\x05\x100 g S\r\n\x03\x02\x01\xff\x01\xff\x02\x03\x03"))
	f.Add([]byte("\x02\x10ERR\r\n\x01\x20\x03\x02\x01\x30\x10\x00\xff\r\n\x02\x03"))
	f.Fuzz(func(t *testing.T, script []byte) {
		if len(script) > 512 {
			return
		}
		synctest.Test(t, func(t *testing.T) { playAsked(t, script) })
	})
}

func playAsked(t *testing.T, script []byte) {
	b := newBench(t, anchored, func(c *Config) {
		c.Ask = &AskConfig{Send: "\x05", Timeout: strict.Duration(300 * time.Millisecond), Late: strict.Duration(600 * time.Millisecond)}
	}, nil)
	tp := &tape{}
	w := &twoWay{take: func(*twoWay, string) {
		tp.mu.Lock()
		defer tp.mu.Unlock()
		tp.asked = len(tp.all)
	}}
	b.line = w
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	time.Sleep(time.Second)

	say := func(p []byte) {
		synctest.Wait() // whatever was asked has reached the balance
		tp.mu.Lock()
		tp.all = append(tp.all, p...)
		tp.mu.Unlock()
		w.say(string(p))
	}
	var reading sync.WaitGroup
	for n := 1; len(script) > 0; n++ {
		op := script[0]
		script = script[1:]
		switch op % 4 {
		case 0:
			k := min(int(op>>2), len(script))
			say(script[:k])
			script = script[k:]
		case 1:
			if len(script) > 0 {
				time.Sleep(time.Duration(script[0]) * 5 * time.Millisecond)
				script = script[1:]
			}
		case 2:
			reading.Wait()
			reading.Go(func() { askOnTape(t, b, tp) })
		case 3:
			say(fmt.Appendf(nil, "W %d.000 g S\r\n", n))
		}
	}
	reading.Wait()
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// askOnTape asks once, and holds the answer to what was sent.
func askOnTape(t *testing.T, b *bench, tp *tape) {
	a, err := b.hand(context.Background(), &job{read: record.ReadRequest{Record: true}})
	var none *record.NoAnswer
	if err != nil || a.id == nil {
		if err != nil && !errors.As(err, &none) {
			t.Error(err)
		}
		return
	}
	tp.mu.Lock()
	defer tp.mu.Unlock()
	w := a.id.body.(*record.Weighing)
	if !bytes.Contains(tp.all[tp.asked:], w.Frame) {
		t.Errorf("the answer %q did not begin after the question; sent since: %q", w.Frame, tp.all[tp.asked:])
	}
}
