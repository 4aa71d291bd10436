package metrology_test

import (
	"math/big"
	"testing"

	"weighpost/gateway/metrology"
)

// TestDoseLimits holds the table of the European Pharmacopoeia, 2.9.5, on both sides of each step.
func TestDoseLimits(t *testing.T) {
	seen := map[string]bool{}
	for _, row := range table(t, "dose_limits.csv") {
		seen[row["form"]] = true
		limit, err := metrology.DoseLimit(row["form"], new(big.Rat).Quo(r(t, row["average_mg"]), r(t, "1000")))
		if row["percent"] == "" {
			if err == nil {
				t.Errorf("%s, %s mg: %v, and the content is tested there", row["form"], row["average_mg"], limit)
			}
			continue
		}
		if err != nil || limit.Cmp(r(t, row["percent"])) != 0 {
			t.Errorf("%s, %s mg: %v %v, not %s %%", row["form"], row["average_mg"], limit, err, row["percent"])
		}
	}
	if len(seen) != len(metrology.DoseForms()) {
		t.Errorf("%d forms in the table, %d in the program", len(seen), len(metrology.DoseForms()))
	}
	if _, err := metrology.DoseLimit("pills", r(t, "1")); err == nil {
		t.Error("a form that is none")
	}
	if _, err := metrology.DoseLimit(metrology.DoseForms()[0], r(t, "0")); err == nil {
		t.Error("no mass")
	}
}

// TestTabletsWeighed holds twenty tablets as a pharmacy course weighed and printed them: average 0.680 g, and each deviation from it.
func TestTabletsWeighed(t *testing.T) {
	var masses []*big.Rat
	for _, row := range table(t, "tablets_uniformity.csv") {
		m := r(t, row["mass_g"])
		masses = append(masses, m)
		off, err := metrology.DeviationPercent(m, r(t, "0.680")) // the course went on with the rounded average
		if err != nil {
			t.Fatal(err)
		}
		near(t, "unit "+row["unit"], off.Abs(off), row["deviation_percent_printed"], "0.5")
	}
	d, err := metrology.UniformityOfMass(metrology.DoseForms()[0], masses)
	if err != nil || !d.Passes || d.Outside != 0 || d.Percent.Cmp(r(t, "5")) != 0 || len(d.Deviations) != 20 {
		t.Errorf("%+v %v", d, err)
	}
	near(t, "average", d.Average, "0.680", "0.5")
	t.Logf("average %s g, %d beyond %s %%", d.Average.FloatString(5), d.Outside, d.Percent.FloatString(1))
}

// TestUniformityAtTheEdge holds "not more than two by more than the percentage, none by more than twice it" one step to either side.
func TestUniformityAtTheEdge(t *testing.T) {
	mg := func(light, heavy int, by int64) (masses []*big.Rat) { // an average of 300 mg where as many are light as heavy
		for i := range 20 {
			m := int64(300_000)
			switch {
			case i < light:
				m -= by
			case i < light+heavy:
				m += by
			}
			masses = append(masses, big.NewRat(m, 1_000_000))
		}
		return masses
	}
	for name, c := range map[string]struct {
		masses         []*big.Rat
		outside, twice int
		passes         bool
	}{
		"all the same":          {mg(0, 0, 0), 0, 0, true},
		"six at just 5 %":       {mg(3, 3, 15_000), 0, 0, true},
		"two a step beyond":     {mg(1, 1, 15_001), 2, 0, true},
		"four a step beyond":    {mg(2, 2, 15_001), 4, 0, false},
		"two at just 10 %":      {mg(1, 1, 30_000), 2, 0, true},
		"two a step beyond 10%": {mg(1, 1, 30_001), 2, 2, false},
	} {
		d, err := metrology.UniformityOfMass("tablets, uncoated or film-coated", c.masses)
		if err != nil || d.Outside != c.outside || d.Twice != c.twice || d.Passes != c.passes {
			t.Errorf("%s: %+v %v", name, d, err)
		}
	}
	if _, err := metrology.UniformityOfMass("tablets, uncoated or film-coated", mg(0, 0, 0)[:19]); err == nil {
		t.Error("nineteen units")
	}
}

// TestAcceptanceValue holds the answer of the pharmacopoeia's own questions page (usp.org, uniformity of dosage units, question 2): an average
// of 105.9 with s 5.0 gives 16.4 from ten units, over the limit of 15.0, and thirty lie between 76.125 and 126.875.
func TestAcceptanceValue(t *testing.T) {
	a, err := metrology.AcceptanceOf(10, r(t, "105.9"), r(t, "5.0"), r(t, "100"))
	if err != nil || a.Within {
		t.Fatalf("%+v %v", a, err)
	}
	near(t, "acceptance value", a.Value, "16.4", "0")
	near(t, "lowest", a.Low, "76.125", "0")
	near(t, "highest", a.High, "126.875", "0")
	if a, err = metrology.AcceptanceOf(30, r(t, "105.9"), r(t, "6.0"), r(t, "100")); err != nil || a.Within || a.Value.Cmp(r(t, "16.4")) != 0 {
		t.Errorf("thirty units: %+v %v", a, err)
	}
	for _, c := range []struct{ mean, target, reference string }{ // table 2, both cases, at their edges
		{"98.4", "100", "98.5"}, {"98.5", "100", "98.5"}, {"100", "100", "100"}, {"101.5", "100", "101.5"}, {"101.6", "100", "101.5"},
		{"103", "104", "103"}, {"104", "104", "104"}, {"104.1", "104", "104"}, {"97", "104", "98.5"},
	} {
		a, err := metrology.AcceptanceOf(10, r(t, c.mean), r(t, "2"), r(t, c.target))
		if err != nil || a.Reference.Cmp(r(t, c.reference)) != 0 {
			t.Errorf("mean %s, target %s: M is %v, not %s: %v", c.mean, c.target, a.Reference, c.reference, err)
		}
	}
	if _, err := metrology.AcceptanceOf(20, r(t, "100"), r(t, "1"), r(t, "100")); err == nil {
		t.Error("twenty units")
	}
}

// TestThirtyUnits holds that one unit beyond the range fails thirty whose value is within the limit.
func TestThirtyUnits(t *testing.T) {
	var contents []*big.Rat
	for range 30 {
		contents = append(contents, r(t, "100"))
	}
	a, err := metrology.AcceptanceValue(contents, r(t, "100"))
	if err != nil || !a.Passes || a.Value.Sign() != 0 {
		t.Errorf("%+v %v", a, err)
	}
	contents[7] = r(t, "70")
	if a, err = metrology.AcceptanceValue(contents, r(t, "100")); err != nil || !a.Within || a.Passes {
		t.Errorf("one of 70 %%: %+v %v", a, err)
	}
	if a, err = metrology.AcceptanceValue(contents[:10], r(t, "100")); err != nil || a.Within {
		t.Errorf("ten with one of 70 %%: %+v %v", a, err)
	}
	x, err := metrology.ContentByMass(r(t, "0.255"), r(t, "0.250"), r(t, "99.0"))
	if err != nil || x.Cmp(r(t, "100.98")) != 0 {
		t.Errorf("%v %v", x, err)
	}
}
