package gateway

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"weighpost/gateway/intake"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/runs"
)

// handed are scans and cards at balances that are for the runs there, one after the other.
type handed struct {
	list chan handedScan
	mu   sync.Mutex
	// asked are those who were asked whether they mean to abandon a run, by balance.
	asked map[string]askedAbandon
}

type handedScan struct {
	run    string
	scan   intake.RunScan
	answer chan error
}

type askedAbandon struct {
	run, who string
	at       time.Time
}

func newHanded() *handed {
	return &handed{list: make(chan handedScan, 64), asked: map[string]askedAbandon{}}
}

// handScan takes a scan at a balance for the run there, if there is one. It does not wait.
func (g *Gateway) handScan(s intake.RunScan) (answer <-chan error, taken bool) {
	if g.runs == nil {
		return nil, false
	}
	run := g.runs.At(s.Balance)
	if run == "" || s.Step == record.CardYes && !g.handed.asks(s.Balance, run, s.At) {
		return nil, false
	}
	h := handedScan{run, s, make(chan error, 1)}
	select {
	case g.handed.list <- h:
	default:
		h.answer <- &record.ContextRefused{Why: "More was scanned than the run can take: scan it again."}
	}
	return h.answer, true
}

// asks says whether somebody was asked at a balance whether they mean to abandon the run there.
func (h *handed) asks(balance, run string, at time.Time) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	a, ok := h.asked[balance]
	return ok && a.run == run && at.Sub(a.at) <= record.ConfirmWithin
}

// handOver gives runs what was scanned for them, until ctx ends.
func (g *Gateway) handOver(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case h := <-g.handed.list:
			limit, cancel := context.WithTimeout(ctx, handPatience)
			err := g.scanRun(limit, h)
			cancel()
			if err != nil {
				g.log.Info("what was scanned for a run was not taken", "balance", h.scan.Balance, "run", h.run, "err", err)
			}
			h.answer <- err
		}
	}
}

// handPatience is how long it may take until it is known what a run makes of a scan.
const handPatience = 10 * time.Second

func (g *Gateway) scanRun(ctx context.Context, h handedScan) error {
	by := g.standsAt(h.scan.Balance, h.run, h.scan.Actor)
	if h.scan.Step != "" {
		return g.stepOfRun(ctx, h.scan.Balance, h.run, h.scan.Step, h.scan.Step == record.CardYes, by, runs.Able{})
	}
	return asRefused(g.actOnRun(ctx, h.run, procedure.Act{Scan: h.scan.Text}, by, runs.Able{}))
}

// standsAt is who acts at a balance: whoever sent it, or who weighs there as far as is known, or who performs the run.
func (g *Gateway) standsAt(balance, run string, sent *record.Actor) record.Actor {
	if sent != nil && sent.ID != "" {
		return *sent
	}
	s, _ := g.runs.Open(run)
	if held, err := g.ContextOf(balance); err == nil {
		for _, item := range held.Items {
			if item.Name == record.ItemPerson && item.ID != s.By.ID {
				return record.Actor{ID: item.ID, Name: item.Person, Role: item.Role, By: item.How, Where: balance}
			}
		}
	}
	return s.By
}

// asRefused has what a run says be what a balance says: a scan is answered so.
func asRefused(err error) error {
	var refused *record.NotDone
	if errors.As(err, &refused) {
		return &record.ContextRefused{Why: asSentence(refused.Why)}
	}
	return err
}

func asSentence(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + strings.TrimSuffix(text[1:], ".") + "."
}

// atTheBench is the reason of what was done at a bench with a key or a card.
const (
	repeatedAtBench  = "repeated at the bench"
	abandonedAtBench = "abandoned at the bench"
)

// stepRun carries out a step of the bench at a balance where a run is.
func (g *Gateway) stepRun(ctx context.Context, balance, run string, r *record.ContextRequest) error {
	return g.stepOfRun(ctx, balance, run, r.Step, r.Confirm, g.standsAt(balance, run, r.Actor), ableOf(ctx))
}

// stepOfRun is what next, repeat, abandon and yes mean to a run.
func (g *Gateway) stepOfRun(ctx context.Context, balance, run, step string, sure bool, by record.Actor, able runs.Able) error {
	s, open := g.runs.Open(run)
	if !open {
		return asRefused(g.noOpenRun(run))
	}
	switch step {
	case record.StepNext:
		return asRefused(g.nextOfRun(ctx, s, by, able))
	case record.StepRepeat:
		act := procedure.Act{Repeat: repeatedAtBench}
		if s.Next.Waiting != procedure.ForAllowed {
			act = procedure.Act{Back: repeatedAtBench}
		}
		return asRefused(g.actOnRun(ctx, run, act, by, able))
	case record.StepAbandon, record.CardYes:
		if !g.handed.means(balance, run, by.ID, sure) {
			return &record.ContextRefused{Ask: true, Why: fmt.Sprintf("The run %s (%s) would end without results; what was weighed stays recorded. "+
				"Confirm within 30 s that it is to be abandoned.", run, s.Title)}
		}
		return asRefused(g.actOnRun(ctx, run, procedure.Act{Abandon: abandonedAtBench}, by, able))
	}
	return &record.ContextRefused{Why: fmt.Sprintf("There is no step %q at a bench: there are next, repeat and abandon.", step)}
}

// means says whether somebody is sure who was asked before whether they mean to abandon a run; otherwise they are asked from now on.
func (h *handed) means(balance, run, who string, sure bool) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	a := h.asked[balance]
	if sure && a.run == run && a.who == who && time.Since(a.at) <= record.ConfirmWithin {
		delete(h.asked, balance)
		return true
	}
	h.asked[balance] = askedAbandon{run, who, time.Now()}
	return false
}

// nextOfRun is what next means, by what the run waits for.
func (g *Gateway) nextOfRun(ctx context.Context, s runs.Standing, by record.Actor, able runs.Able) error {
	id := s.Begun.Run.ID
	switch s.Next.Waiting {
	case procedure.ForDone, procedure.ForTime:
		return g.actOnRun(ctx, id, procedure.Act{Done: true}, by, able)
	case procedure.ForSecond:
		return g.actOnRun(ctx, id, procedure.Act{Yes: true}, by, able)
	case procedure.ForWeight:
		if !g.canAsk(s.Balance) {
			return &record.NotDone{Why: "balance " + s.Balance + " cannot be asked for its weight: press its print key"}
		}
		return g.takeForRun(ctx, id, by)
	case procedure.ForScan:
		return &record.NotDone{Why: "the run waits for a scan: scan what it names"}
	case procedure.ForAnswer:
		return &record.NotDone{Why: "the run asks something: answer on its page"}
	case procedure.ForAllowed:
		return &record.NotDone{Why: "a value is outside its limits: repeat it, or have somebody with the right to let the run go on"}
	}
	return &record.NotDone{Why: "the run cannot go on by that now: look what it waits for"}
}
