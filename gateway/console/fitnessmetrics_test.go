package console

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"weighpost/gateway/record"
)

// shownFitness is what a test shows of balances and weights.
type shownFitness struct {
	Fitness
	all     []FitnessView
	weights []WeightView
}

func (s shownFitness) AllFitness() []FitnessView      { return s.all }
func (s shownFitness) ReferenceWeights() []WeightView { return s.weights }

func TestFitnessInNumbers(t *testing.T) {
	now := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)
	weight := func(due string, withdrawn bool) WeightView {
		return WeightView{ReferenceWeight: record.ReferenceWeight{Certificate: &record.Certificate{Due: due}, Withdrawn: withdrawn}}
	}
	f := shownFitness{all: []FitnessView{{Balance: record.Balance{ID: "b-1"}, Fitness: record.Fitness{State: record.OutOfService},
		Schedule: []CheckDue{{Check: "daily", Due: record.UTC(now.Add(-time.Hour))}, {Check: "monthly", Due: record.UTC(now.Add(48 * time.Hour))}, {Check: "never"}},
		Failures: []FailureView{{}, {Closed: true}, {}}}},
		weights: []WeightView{weight("2026-11-29", false), weight("2026-11-30", false), weight("2026-01-01", true), weight("", false), {}}}
	var got []string
	collectFitness(f, now, func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
		if _, err := prometheus.NewConstMetric(d, kind, v, labels...); err != nil { // as many labels as it is described with
			t.Fatal(err)
		}
		name := strings.Split(d.String(), `"`)[1]
		got = append(got, fmt.Sprintf("%s%v%v", name, labels, v))
	})
	for _, want := range []string{"weighpost_balance_fitness[b-1 out of service]1", "weighpost_balance_fitness[b-1 in service]0", "weighpost_next_check_seconds[b-1 daily]-3600",
		"weighpost_next_check_seconds[b-1 monthly]172800", "weighpost_failed_checks_unjudged[b-1]2", "weighpost_reference_weights_overdue[]1"} {
		if !slices.Contains(got, want) {
			t.Errorf("no %s in\n%s", want, strings.Join(got, "\n"))
		}
	}
	if len(got) != len(fitnessStates)+4 {
		t.Errorf("%d numbers:\n%s", len(got), strings.Join(got, "\n"))
	}
	collectFitness(nil, now, func(*prometheus.Desc, prometheus.ValueType, float64, ...string) { t.Error("numbers of nothing") })
}
