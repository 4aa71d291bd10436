package gateway

import (
	"context"
	"encoding/json"
	"reflect"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// How balances and destinations are, for the sinks that show it. It is looked at once a second, and only where a sink asks for it:
// nothing that delivers or records waits for it.
const (
	statesEvery = time.Second
	// statesCalm is how often what is only a count or a time is told: a balance that prints would else be news in each second.
	statesCalm = 10 * time.Second
)

// openStates begins to tell.
func (g *Gateway) openStates(ctx context.Context) error {
	g.showing.start(ctx, nil, g.tellStates)
	g.life.onStop("what sinks show of balances and destinations", sparing(forRest, g.showing.stop))
	return nil
}

// tellStates tells until ctx ends.
func (g *Gateway) tellStates(ctx context.Context) {
	var told teller
	var to *[]sinks.StateShower
	for tick := time.NewTicker(statesEvery); ; {
		if showers := g.showers.Load(); showers != nil && len(*showers) > 0 {
			if list, changed := told.list(g, time.Now()); changed || showers != to {
				for _, s := range *showers {
					s.States(list)
				}
				to = showers
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			tick.Stop()
			return
		}
	}
}

// teller knows what was told last: as much as there are balances and destinations.
type teller struct{ last map[stateKey]toldState }

type stateKey struct{ of, id string }

// toldState is one state as it was told.
type toldState struct {
	said any // without its time
	calm any // nor its counts
	body []byte
	at   time.Time
}

// list gives all states, and says whether there is anything new in them.
func (t *teller) list(g *Gateway, now time.Time) (list []sinks.State, changed bool) {
	before := t.last
	t.last = make(map[stateKey]toldState, len(before))
	add := func(key stateKey, said, calm any, encode func(record.UTC) any) {
		last, known := before[key]
		if !known || !reflect.DeepEqual(last.calm, calm) || now.Sub(last.at) >= statesCalm && !reflect.DeepEqual(last.said, said) {
			body, err := json.Marshal(encode(g.stamp().UTC))
			if err != nil {
				g.log.Error("what is to be shown of a balance or a destination cannot be written", "of", key.of, "id", key.id, "err", err)
				return
			}
			last, changed = toldState{said, calm, body, now}, true
		}
		t.last[key] = last
		list = append(list, sinks.State{Of: key.of, ID: key.id, Body: last.body})
	}
	wrong := reasons(g.board.List())
	for _, b := range g.balanceStates(wrong) {
		add(stateKey{sinks.OfBalance, b.Balance}, b, calmBalance(b), func(at record.UTC) any { b.UTC = at; return b })
	}
	for _, s := range g.sinkStates(wrong) {
		add(stateKey{sinks.OfSink, s.Sink}, s, calmSink(s), func(at record.UTC) any { s.UTC = at; return s })
	}
	return list, changed || len(t.last) != len(before)
}

// calmBalance is a state without what changes all the time.
func calmBalance(b record.BalanceStatus) record.BalanceStatus {
	b.LastHeard = calmTime(b.LastHeard)
	return b
}

func calmSink(s record.SinkStatus) record.SinkStatus {
	s.Waiting, s.AtLeast, s.Oldest, s.BehindSince = 0, false, "", nil
	s.LastSuccess, s.FailedAt = calmTime(s.LastSuccess), calmTime(s.FailedAt)
	return s
}

// calmTime keeps whether there is a time.
func calmTime(t *record.UTC) *record.UTC {
	if t == nil {
		return nil
	}
	return new(record.UTC)
}

// balanceStates says how each balance is, but for the time.
func (g *Gateway) balanceStates(wrong map[stateKey][]record.StatusReason) (list []record.BalanceStatus) {
	now := g.now.Load()
	clock := g.clock.Facts().State
	for _, one := range now.balances {
		s := record.BalanceStatus{Schema: record.BalanceStatusSchema, Site: now.cfg.Site, Balance: one.cfg.ID, Service: record.FitnessUnknown,
			Clock: clock, Conditions: wrong[stateKey{sinks.OfBalance, one.cfg.ID}]}
		if g.fitness != nil {
			s.Service, s.NextCheck = serviceOf(g.fitness.Now(one.cfg.ID))
		}
		if one.intake != nil {
			is := one.intake.Status()
			s.Connected, s.Identity, s.LastHeard = is.PortUp, is.Identity, moment(is.Live.UTC.Time())
		}
		if scanner := wrong[stateKey{sinks.OfBalance, one.cfg.ScannerName()}]; one.scanner != nil && len(scanner) > 0 {
			s.Conditions = append(s.Conditions[:len(s.Conditions):len(s.Conditions)], scanner...)
		}
		if s.Conditions == nil {
			s.Conditions = []record.StatusReason{}
		}
		list = append(list, s)
	}
	return list
}

// serviceOf says whether a balance may be used, and when its next check is due.
func serviceOf(f record.Fitness) (service string, next *record.UTC) {
	if due, err := time.Parse(time.RFC3339, f.Due); err == nil {
		next = moment(due)
	}
	return f.State, next
}

// sinkStates says how each destination is, but for the time.
func (g *Gateway) sinkStates(wrong map[stateKey][]record.StatusReason) (list []record.SinkStatus) {
	now := g.now.Load()
	for _, one := range now.sinks {
		is := one.runner.Status()
		s := record.SinkStatus{Schema: record.SinkStatusSchema, Site: now.cfg.Site, Sink: one.cfg.Delivery.ID, Kind: one.cfg.Kind, State: is.State,
			Waiting: is.Waiting, AtLeast: is.AtLeast, Parked: is.Parked, BehindSince: moment(is.BehindSince), LastSuccess: moment(is.LastSuccess),
			LastError: is.LastError, FailedAt: moment(is.FailedAt), Remedy: is.Remedy, Conditions: wrong[stateKey{sinks.OfSink, one.cfg.Delivery.ID}]}
		if is.Oldest != nil {
			s.Oldest = is.Oldest.ID
		}
		if p := is.Paused; p != nil {
			s.Paused = &record.StatusPaused{Since: p.Since, Why: p.Why}
		}
		if s.Conditions == nil {
			s.Conditions = []record.StatusReason{}
		}
		list = append(list, s)
	}
	return list
}

// reasons sorts what is wrong, at every depth, by the balance or the destination that it is about.
func reasons(conditions []health.Condition) map[stateKey][]record.StatusReason {
	wrong := map[stateKey][]record.StatusReason{}
	note := func(c *health.Condition) bool {
		if of := health.About(c.Code); of == sinks.OfBalance || of == sinks.OfSink {
			key := stateKey{of, c.Subject}
			wrong[key] = append(wrong[key], record.StatusReason{Code: c.Code, Severity: string(c.Severity), Sentence: c.Sentence, Remedy: c.Remedy,
				Since: record.UTC(c.Since.UTC())})
		}
		return false
	}
	for i := range conditions {
		conditions[i].Any(note)
	}
	return wrong
}
