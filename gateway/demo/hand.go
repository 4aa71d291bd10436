package demo

import (
	"context"
	"time"

	"weighpost/gateway"
)

// tie is a person or a sample, and how the daemon has to say that it learnt of it: scanned, sent, printed. Empty: none.
type tie struct {
	ID string `json:"id"`
	By string `json:"by"`
}

// ties are what a weighing is meant to be tied to.
type ties struct{ person, sample tie }

// hand is whoever says, before a balance is told to print, who weighs and what.
type hand interface {
	// tie sets what the next weighing is meant to be tied to; n have been printed before it. After the end of ctx nothing
	// may have been set.
	tie(ctx context.Context, n int) (ties, error)
	// awaitRecorded waits until n weighings of the balance are shown as recorded, or ctx ends, or it has been too long.
	awaitRecorded(ctx context.Context, n int)
}

// asker is a hand that asks the balance for a weighing instead of pressing its print key.
type asker interface {
	// askWeight returns once the weighing is in the journal.
	askWeight(ctx context.Context) error
}

// apart is the least time between a scan that is shown and the print, and between a recorded weighing and the next scan: many
// times what a line needs on the wire, so that it is known which came first (see the package documentation of intake).
const apart = 250 * time.Millisecond

// glance is how long somebody looks at the page for what must come, before doing something about it.
const glance = 5 * time.Second

// eyes see of one balance what the page shows. They steer the hand as they would a person's, and are never asked what is true.
type eyes struct {
	gateway func() *gateway.Gateway
	balance string
}

// eyesOn looks at what the page shows of a balance, once the daemon runs.
func (l *lab) eyesOn(b *balance) eyes {
	return eyes{gateway: func() *gateway.Gateway { return l.gateway }, balance: b.id}
}

func (e eyes) held() (now ties) {
	view, err := e.gateway().ContextOf(e.balance)
	if err != nil {
		return now
	}
	for _, item := range view.Items {
		switch item.Name {
		case "person":
			now.person = tie{item.ID, item.By}
		case "sample":
			now.sample = tie{item.ID, item.By}
		}
	}
	return now
}

func (e eyes) awaitRecorded(ctx context.Context, n int) {
	await(ctx, 4*poll, func() bool {
		for _, b := range e.gateway().Balances() {
			if b.ID == e.balance {
				return b.Recorded >= uint64(n)
			}
		}
		return false
	})
}

const poll = 20 * time.Millisecond

// await says whether it came to be so within a glance and before ctx ended.
func await(ctx context.Context, every time.Duration, so func() bool) bool {
	for limit := time.Now().Add(glance); !so(); {
		if time.Now().After(limit) || !pause(ctx, every) {
			return false
		}
	}
	return true
}
