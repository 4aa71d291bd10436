package checks_test

import (
	"strings"
	"testing"

	"weighpost/gateway/checks"
	"weighpost/gateway/record"
)

// TestTheUncertaintyOfAnErrorTakesTheWeightAsItIs: k of the certificate as it says, the limit of a class as a rectangle (JCGM 100:2008, 4.3.7),
// and nothing where no k is known.
func TestTheUncertaintyOfAnErrorTakesTheWeightAsItIs(t *testing.T) {
	for _, c := range []struct {
		name   string
		weight record.ReferenceWeight
		want   string
		share  string
	}{
		// u = √(2·0.1²/12 + (0.3/k)²) mg, times 2; worked out by hand.
		{"k = 2", record.ReferenceWeight{Conventional: "100.0003 g", Uncertainty: "0.3 mg", CoverageFactor: "2"}, "0.00032 g", "93.1 %"},
		{"k = 3", record.ReferenceWeight{Conventional: "100.0003 g", Uncertainty: "0.3 mg", CoverageFactor: "3"}, "0.00022 g", "85.7 %"},
		{"k = 1", record.ReferenceWeight{Conventional: "100.0003 g", Uncertainty: "0.3 mg", CoverageFactor: "1"}, "0.00061 g", "98.2 %"},
		// F1 of 100 g is 0.5 mg (OIML R 111-1, Table 1): 2·√(0.001667 + 0.5²/3) mg = 0.583 mg, and up.
		{"class", record.ReferenceWeight{Class: "F1"}, "0.00059 g", "98.0 %"},
		{"no k", record.ReferenceWeight{Conventional: "100.0003 g", Uncertainty: "0.3 mg"}, "unknown: the certificate of the weight w-1 gives an uncertainty without a coverage factor", ""},
	} {
		c.weight.ID, c.weight.Nominal = "w-1", "100 g"
		w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: c.weight})
		if err != nil {
			t.Fatal(err)
		}
		b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "5 mg"}, Uncertainty: true}, checks.Streamed, w)
		b.takes("0.0000")
		b.takes("100.0000")
		r := result(t, b.ended(record.CheckPassed), "error at 100 g")
		if !strings.HasPrefix(r.Uncertainty, c.want) {
			t.Errorf("%s: %s", c.name, r.Uncertainty)
		}
		if c.share == "" {
			continue
		}
		if len(r.Budget) != 3 || r.Budget[2].Name != "reference weights" || r.Budget[2].Share != c.share {
			t.Errorf("%s: %+v", c.name, r.Budget)
		}
	}
}
