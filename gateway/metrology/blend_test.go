package metrology_test

import (
	"math/big"
	"math/rand/v2"
	"testing"

	"weighpost/gateway/metrology"
)

// TestReducingAndEnlarging holds two formulas as courses in pharmaceutical calculations scale them (testdata/blends.csv).
func TestReducingAndEnlarging(t *testing.T) {
	held := 0
	recipes := map[string][]metrology.Component{}
	for _, row := range table(t, "blends.csv") {
		part := metrology.Component{Name: row["component"], Amount: r(t, row["given"])}
		recipes[row["recipe"]] = append(recipes[row["recipe"]], part)
		factor, err := metrology.ScaleFactor(r(t, row["wanted_total"]), r(t, row["recipe_total"]))
		if err != nil {
			t.Fatal(err)
		}
		scaled, err := metrology.Scaled([]metrology.Component{part}, factor)
		if err != nil {
			t.Fatal(err)
		}
		if row["printed"] != "" {
			near(t, row["recipe"]+": "+row["component"], scaled[0].Amount, row["printed"], "0.5")
			held++
		}
	}
	if held != 7 {
		t.Errorf("%d amounts held", held)
	}
	ointment, err := metrology.ScaledTo(recipes["zinc oxide and pine tar ointment"], r(t, "1000"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pine tar in 1 kg", ointment[1].Amount, "264", "0.5")
	t.Logf("pine tar in 1 kg: %s g, and 264 is printed", ointment[1].Amount.FloatString(4))
	if sum, err := metrology.RecipeTotal(ointment); err != nil || sum.Cmp(r(t, "1000")) != 0 {
		t.Errorf("the scaled parts come to %v: %v", sum, err)
	}
}

// TestScaledByWhatWasWeighed holds that scaling to one component keeps the shares of all, exactly.
func TestScaledByWhatWasWeighed(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	for range 100 {
		var parts []metrology.Component
		for i := range 2 + rng.IntN(6) {
			parts = append(parts, metrology.Component{Name: string(rune('a' + i)), Amount: big.NewRat(1+rng.Int64N(1_000_000), 1000), Tolerance: r(t, "2")})
		}
		which := parts[rng.IntN(len(parts))].Name
		weighed := big.NewRat(1+rng.Int64N(1_000_000), 1000)
		scaled, err := metrology.ScaledBy(parts, which, weighed)
		if err != nil {
			t.Fatal(err)
		}
		before, _ := metrology.Shares(parts)
		after, err := metrology.Shares(scaled)
		if err != nil || metrology.Sum(after).Cmp(r(t, "100")) != 0 {
			t.Fatal(err, metrology.Sum(after))
		}
		for i := range parts {
			if before[i].Cmp(after[i]) != 0 || scaled[i].Tolerance != parts[i].Tolerance || parts[i].Name == which && scaled[i].Amount.Cmp(weighed) != 0 {
				t.Fatalf("%v became %v", parts[i], scaled[i])
			}
		}
	}
}

// TestToleranceOfAComponent holds the edge of a tolerance, and what is refused.
func TestToleranceOfAComponent(t *testing.T) {
	for weighed, want := range map[string]bool{"100": true, "102": true, "102.001": false, "98": true, "97.999": false, "0": false} {
		if percent, ok, err := metrology.WithinTolerance(r(t, "100"), r(t, weighed), r(t, "2")); err != nil || ok != want {
			t.Errorf("%s of 100: %v %v %v", weighed, percent, ok, err)
		}
	}
	parts := []metrology.Component{{Name: "a", Amount: r(t, "1")}, {Name: "b", Amount: r(t, "0")}}
	for name, refused := range map[string]func() error{
		"nothing of b":     func() error { _, err := metrology.ScaledTo(parts, r(t, "10")); return err },
		"no such name":     func() error { _, err := metrology.ScaledBy(parts[:1], "c", r(t, "1")); return err },
		"nothing weighed":  func() error { _, err := metrology.ScaledBy(parts[:1], "a", r(t, "0")); return err },
		"no recipe":        func() error { _, err := metrology.Shares(nil); return err },
		"factor of zero":   func() error { _, err := metrology.Scaled(parts[:1], r(t, "0")); return err },
		"target of zero":   func() error { _, _, err := metrology.WithinTolerance(r(t, "0"), r(t, "1"), r(t, "1")); return err },
		"tolerance of −1%": func() error { _, _, err := metrology.WithinTolerance(r(t, "1"), r(t, "1"), r(t, "-1")); return err },
	} {
		if refused() == nil {
			t.Errorf("%s: taken", name)
		}
	}
}
