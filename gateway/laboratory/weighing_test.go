package laboratory

import (
	"encoding/json"
	"slices"
	"testing"

	"weighpost/gateway/record"
)

func TestDigitsBecomeNumbersOfJSON(t *testing.T) {
	for in, want := range map[string]string{"12.3450": "12.3450", "+0001.50": "1.50", "-.5": "-0.5", "-0.0000": "-0.0000", "000": "0", "+7.": "7", "007": "7"} {
		got := number(in)
		if got.String() != want || !json.Valid([]byte(got)) {
			t.Errorf("%s became %s", in, got)
		}
	}
	v, err := quantity(&record.Value{Digits: "1.0", Unit: "[lb_av]", Range: "in"})
	if err != nil || v["unit"] != "g" || v["value"].(json.Number) != "453.59237" { // exact by definition: NIST SP 811, appendix B.8
		t.Errorf("%v, %v", v, err)
	}
}

// TestTheFitnessOfABalanceStandsBesideItsWeight, unless nobody looks after the balance.
func TestTheFitnessOfABalanceStandsBesideItsWeight(t *testing.T) {
	for state, want := range map[string]string{record.OutOfService: record.OutOfService, record.FitnessUnknown: ""} {
		w := &record.Weighing{Fitness: record.Fitness{State: state}}
		if facts := beside(w); !slices.Contains(facts, Fact{"fitness of the balance", want}) {
			t.Errorf("%s: %v", state, facts)
		}
	}
}
