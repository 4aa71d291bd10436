package metrology_test

import (
	"math/big"
	"strings"
	"testing"

	"weighpost/gateway/metrology"
)

// TestGrammage holds published examples of mass per area to the printed digits (testdata/grammage.csv).
func TestGrammage(t *testing.T) {
	rows := table(t, "grammage.csv")
	if len(rows) != 3 {
		t.Fatalf("%d examples", len(rows))
	}
	for _, row := range rows {
		area, err := metrology.Area(r(t, row["length_mm"]), r(t, row["width_mm"]), r(t, "1"))
		if err != nil {
			t.Fatal(err)
		}
		var masses []*big.Rat
		for _, m := range strings.Fields(row["masses_g"]) {
			masses = append(masses, r(t, m))
		}
		mean, sd, err := metrology.MeanGrammage(masses, area)
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["case"], mean, row["printed_g_m2"], "0.5")
		t.Logf("%s: %s g/m², s %s", row["case"], mean.FloatString(4), sd.FloatString(2))
		all, err := metrology.Area(r(t, row["length_mm"]), r(t, row["width_mm"]), big.NewRat(int64(len(masses)), 1))
		if err != nil {
			t.Fatal(err)
		}
		if together, err := metrology.Grammage(metrology.Sum(masses), all); err != nil || together.Cmp(mean) != 0 {
			t.Errorf("%s: weighed together %v, one by one %v: %v", row["case"], together, mean, err)
		}
	}
	for name, refused := range map[string]func() error{
		"no length":  func() error { _, err := metrology.Area(r(t, "0"), r(t, "1"), r(t, "1")); return err },
		"half piece": func() error { _, err := metrology.Area(r(t, "1"), r(t, "1"), r(t, "0.5")); return err },
		"no mass":    func() error { _, err := metrology.Grammage(r(t, "0"), r(t, "1")); return err },
		"no area":    func() error { _, err := metrology.Grammage(r(t, "1"), r(t, "0")); return err },
		"one piece":  func() error { _, _, err := metrology.MeanGrammage([]*big.Rat{r(t, "1")}, r(t, "1")); return err },
	} {
		if refused() == nil {
			t.Errorf("%s: taken", name)
		}
	}
}
