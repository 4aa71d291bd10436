package console

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"weighpost/gateway/record"
)

var (
	fitnessState = describe("balance_fitness", "1 for the state that the balance is in: in service, due, overdue, out of service, in check or unknown.", "balance", "state")
	nextCheck    = describe("next_check_seconds", "How long it is until the check of the balance is due; below 0: it is due. Absent where none is scheduled.", "balance", "check")
	unjudged     = describe("failed_checks_unjudged", "Failed checks of the balance that are not closed: what was weighed before them has not been judged.", "balance")
	overdueMass  = describe("reference_weights_overdue", "Reference weights in use whose certificate is past its due date.")
)

var fitnessStates = []string{record.InService, record.CheckDue, record.CheckOverdue, record.OutOfService, record.InCheck, record.FitnessUnknown}

// collectFitness gives the numbers of whether balances may be used.
func collectFitness(f Fitness, now time.Time, send func(*prometheus.Desc, prometheus.ValueType, float64, ...string)) {
	if f == nil {
		return
	}
	gauge := prometheus.GaugeValue
	for _, v := range f.AllFitness() {
		for _, state := range fitnessStates {
			send(fitnessState, gauge, truth(v.Fitness.State == state), v.Balance.ID, state)
		}
		for _, d := range v.Schedule {
			if at := d.Due.Time(); !at.IsZero() {
				send(nextCheck, gauge, at.Sub(now).Seconds(), v.Balance.ID, d.Check)
			}
		}
		open := 0
		for _, one := range v.Failures {
			if !one.Closed {
				open++
			}
		}
		send(unjudged, gauge, float64(open), v.Balance.ID)
	}
	overdue, day := 0, now.Format(time.DateOnly)
	for _, w := range f.ReferenceWeights() {
		if c := w.Certificate; !w.Withdrawn && c != nil && c.Due != "" && c.Due < day {
			overdue++
		}
	}
	send(overdueMass, gauge, float64(overdue))
}
