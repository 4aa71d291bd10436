package deliver

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
)

// chunk is how many entries are read at once for a closed batch.
const chunk = 256

// gathering is a batch that is still open: counted, and not kept.
type gathering struct {
	reading reading
	count   uint64
	first   uint64 // place of its first entry
	last    uint64 // and of its last so far
	period  period
}

// planned is a closed batch. The journal remembers it before the sink is asked to take it: after a restart the same entries are in it.
type planned struct {
	Destination string    `json:"destination"`
	Name        string    `json:"name"`
	After       uint64    `json:"after"` // its entries are due after this one
	First       uint64    `json:"first"`
	Last        uint64    `json:"last"`
	Count       uint64    `json:"count"`
	Upto        uint64    `json:"upto"`            // where the cursor stands afterwards
	Closed      time.Time `json:"closed,omitzero"` // end of the latest period that was ever closed for this destination
	Rules       *rules    `json:"rules,omitempty"` // that chose its entries; nil: those of the configuration
}

// rules chose the entries of a batch. It keeps them although the configuration may have others when it comes again: the destination
// may have it already.
type rules struct {
	Entries  []string `json:"entries"`
	Balances []string `json:"balances,omitempty"`
	Verdicts string   `json:"verdicts,omitempty"`
	Hold     string   `json:"hold,omitempty"`
}

// routes says which entries are in the batch. c is the configuration.
func (p *planned) routes(c Config) *routes {
	if p.Rules == nil {
		return nil
	}
	c.Entries, c.Balances, c.Verdicts, c.Hold = p.Rules.Entries, p.Rules.Balances, p.Rules.Verdicts, p.Rules.Hold
	by := routesOf(c)
	return &by
}

// mostNoted is how long a text can be that the journal remembers, in bytes.
const mostNoted = 4096

// batchOf is where the journal remembers the last batch that was closed for a sink.
func batchOf(sink string) string { return "batch/" + sink }

// recallBatch finds at a start which batch was closed last. One that did not arrive comes again.
func (r *Runner) recallBatch(ctx context.Context) error {
	r.open = gathering{reading: reading{at: r.cursor}}
	text, _, err := r.log.Remembered(batchOf(r.cfg.ID))
	if err != nil || text == "" {
		return err
	}
	var p planned
	if err := json.Unmarshal([]byte(text), &p); err != nil {
		return fmt.Errorf("which batch was closed last cannot be read: %w", err)
	}
	if p.Destination != r.deps.Destination || r.cursor < p.After || p.Upto > r.log.Head() {
		return nil // of another destination, or of a journal that goes on from before it
	}
	if r.closedUpTo = p.Closed; r.cursor < p.Upto && r.closing.on() {
		r.plan = &p
		if entries, err := r.log.Read(ctx, p.First-1, 1); err == nil && len(entries) == 1 {
			r.setOldest(due{entry: entries[0], place: p.First, said: entries[0].JSON})
		}
	}
	return nil
}

// gather reads on until a batch is closed: there is a plan then. more says that there is more to read at once.
func (r *Runner) gather(ctx context.Context) (more bool, err error) {
	before := r.cursor
	for piece := 0; r.plan == nil && err == nil && r.open.reading.behind(r.log.Head()); piece++ {
		if piece == 16 {
			more = true // others want to be heard in between
			break
		}
		at, releasing := r.open.reading.at, r.open.reading.release != nil
		var list []due
		var passed uint64
		list, passed, err = r.readOn(ctx, &r.open.reading, chunk)
		if passed > 0 {
			r.show(func(s *Status) { s.Held += passed })
		}
		if upto, closed := r.take(list); closed {
			r.seal(ctx, upto)
		} else if r.open.count == 0 {
			r.cursor = r.open.reading.at
		}
		if len(list) == 0 && r.open.reading.at == at && releasing == (r.open.reading.release != nil) {
			break // the journal gives nothing, for now
		}
	}
	if r.plan == nil && err == nil && !more && r.open.count > 0 && r.closing.every > 0 && r.open.period.over(r.deps.Stamp().UTC.Time()) {
		r.seal(ctx, r.open.reading.at)
	}
	if r.cursor != before {
		r.keepCursor()
	}
	r.looked()
	return more, err
}

// take counts entries into the open batch, up to the one that closes it. upto is then the last entry before that one.
func (r *Runner) take(list []due) (upto uint64, closed bool) {
	g := &r.open
	for _, d := range list {
		at := time.Time{}
		if r.closing.every > 0 {
			at = happened(d.said)
		}
		// What one release lets go stays together: a place in the journal cannot lie within it.
		if g.count > 0 && d.place != g.last && (r.closing.count > 0 && g.count >= r.closing.count || r.closing.every > 0 && !g.period.takes(at)) {
			return d.place - 1, true
		}
		if g.count == 0 {
			g.first, g.period = d.place, r.closing.periodOf(at)
			r.setOldest(d)
		}
		g.count, g.last = g.count+1, d.place
	}
	return g.last, r.closing.count > 0 && g.count >= r.closing.count && g.reading.release == nil
}

// seal closes the open batch, and has the journal remember it before anybody is asked to take it. Without that there is none.
func (r *Runner) seal(ctx context.Context, upto uint64) {
	g := &r.open
	p := &planned{Destination: r.deps.Destination, After: r.cursor, First: g.first, Last: g.last, Upto: upto, Count: g.count, Closed: r.closedUpTo,
		Rules: &rules{r.cfg.Entries, r.cfg.Balances, r.cfg.Verdicts, r.cfg.Hold}}
	if p.Name = fmt.Sprintf("%06d-%06d", g.first, g.last); r.closing.every > 0 {
		p.Name = g.period.name(r.closing.every, g.first, r.closedUpTo)
		if g.period.end.After(p.Closed) {
			p.Closed = g.period.end
		}
	}
	text, err := json.Marshal(p)
	if err == nil && len(text) > mostNoted { // hundreds of balances: a reload then comes to the batch with its own rules
		p.Rules = nil
		text, err = json.Marshal(p)
	}
	if err != nil {
		r.deps.Log.Error("a batch cannot be closed (please report this)", "error", err)
		return
	}
	if r.persist(ctx, "that a batch is closed is not recorded yet", func(ctx context.Context) error {
		return r.log.Remember(ctx, batchOf(r.cfg.ID), string(text))
	}) {
		r.plan, r.closedUpTo = p, p.Closed
	}
}

// untilOver is how long the open batch can wait before somebody has to look whether its time is over; 0: for entries only. It is never
// long: clocks are set.
func (r *Runner) untilOver() time.Duration {
	if r.open.count == 0 || r.closing.every == 0 {
		return 0
	}
	left := r.open.period.end.Add(settling).Sub(r.deps.Stamp().UTC.Time())
	return min(max(left, 10*time.Millisecond), settling)
}
