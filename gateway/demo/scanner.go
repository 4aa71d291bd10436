package demo

import (
	"context"
	"fmt"
	"io"

	"weighpost/gateway/record"
)

// scannerAt is the place in the list of the balance that has a scanner beside it.
const scannerAt = 1

// badges are the people who weigh there, in turn.
var badges = []string{"P-07", "P-12", "P-03"}

// technician scans badges and labels beside one balance, looks at the page whether they were taken, and now and then scans
// nothing: what is weighed then must be tied to nothing.
type technician struct {
	scanner io.Writer
	page    interface {
		held() ties
		awaitRecorded(ctx context.Context, n int)
	}
	now   ties
	turns int // people who have signed in
}

// placeScanner puts a scanner beside a balance, where there are enough of them, and gives the address of its line.
func (l *lab) placeScanner() (address string, err error) {
	if len(l.balances) <= scannerAt {
		return "", nil
	}
	b := l.balances[scannerAt]
	address, wire, pull, err := newWire(l.dir, b.id+"-scanner")
	if err != nil {
		return "", fmt.Errorf("no line for the simulated scanner beside %s: %w", b.id, err)
	}
	l.onEnd(pull)
	b.hand = &technician{scanner: wire, page: l.eyesOn(b)}
	return address, nil
}

func (t *technician) awaitRecorded(ctx context.Context, n int) { t.page.awaitRecorded(ctx, n) }

// tie scans what belongs to the next weighing. In eight, one is weighed without a label, and before another the person signs
// out and nobody signs in.
func (t *technician) tie(ctx context.Context, n int) (ties, error) {
	t.now.sample = tie{} // it held for one weighing
	switch n % 8 {
	case 3:
		return t.now, nil
	case 6:
		t.now = ties{}
		return t.now, t.scan(ctx, "END", func(now ties) bool { return now == ties{} })
	}
	if t.now.person.ID == "" {
		t.now.person = tie{badges[t.turns%len(badges)], record.ByScanned}
		t.turns++
		if err := t.scan(ctx, t.now.person.ID, func(now ties) bool { return now.person == t.now.person }); err != nil {
			return ties{}, err
		}
	}
	t.now.sample = tie{fmt.Sprintf("LOT-%04d", 2001+n), record.ByScanned}
	return t.now, t.scan(ctx, t.now.sample.ID, func(now ties) bool { return now.sample == t.now.sample })
}

// scan scans a code, again if the page does not show what it is to set.
func (t *technician) scan(ctx context.Context, code string, shown func(ties) bool) error {
	for range 3 {
		if _, err := io.WriteString(t.scanner, code+"\r"); err != nil {
			return fmt.Errorf("the simulated scanner: %w", err)
		}
		if await(ctx, poll, func() bool { return shown(t.page.held()) }) || ctx.Err() != nil {
			return nil
		}
	}
	return fmt.Errorf("%s was scanned three times and the page does not show it", code)
}
