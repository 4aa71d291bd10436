package metrology_test

import (
	"math"
	"math/big"
	"strconv"
	"testing"

	"weighpost/gateway/metrology"
)

// The files of testdata are held to the last value here and in metrology_test.go and chart_test.go: what each row says besides what those
// ask, and how many rows there are.

// TestEveryRowIsThere counts rows and values, so that a table cut short is noticed.
func TestEveryRowIsThere(t *testing.T) {
	for file, want := range map[string]struct{ rows, values int }{
		"oiml_r111_mpe.csv":             {30, 201},
		"astm_e617_mpe_from_memory.csv": {30, 150},
		"oiml_r76_classes.csv":          {6, 0}, "oiml_r76_mpe.csv": {12, 0}, "oiml_r76_mpe_cases.csv": {30, 0},
		"strd_univariate.csv": {9, 0}, "air_density.csv": {12, 0}, "buoyancy_weighing.csv": {7, 0}, "conventional_mass.csv": {8, 0},
		"buoyancy_comparison_sop2.csv": {3, 0}, "mass_conversions.csv": {16, 0}, "shewhart_constants.csv": {9, 0}, "tanaka_water.csv": {41, 0}, "iso8655_z.csv": {31, 0}, "iso8655_mpe.csv": {13, 0}, "nist_ewma.csv": {20, 0}, "nist_cusum.csv": {20, 0},
	} {
		rows, values := table(t, file), 0
		for _, row := range rows {
			for column, v := range row {
				if v != "" && column != "nominal" && column != "nominal_mg" {
					values++
				}
			}
		}
		if len(rows) != want.rows || want.values != 0 && values != want.values {
			t.Errorf("%s has %d rows and %d values, not %d and %d", file, len(rows), values, want.rows, want.values)
		}
	}
}

// TestTheRuleBehindTableOne holds the limits of OIML R 111-1 against what they follow (from memory), since the table of the program and that
// of the test are of one hand: from 100 g on each class is so many millionths of the nominal mass, rounded to 1, 1.6, 2.5, 3, 5 or 8 and a
// power of ten, so that it is off by no more than 7 %; and no class has a smaller limit for a greater weight.
func TestTheRuleBehindTableOne(t *testing.T) {
	millionths := map[string]string{"E1": "0.5", "E2": "1.6", "F1": "5", "F2": "16", "M1": "50", "M1-2": "100", "M2": "160", "M2-3": "300", "M3": "500"}
	n := 0
	for class, share := range millionths {
		var last *big.Rat
		for _, row := range table(t, "oiml_r111_mpe.csv") {
			nominal := new(big.Rat).Quo(r(t, row["nominal_mg"]), r(t, "1000"))
			limit, _, err := metrology.MPEWeight(class, nominal)
			if err != nil {
				continue
			}
			if last != nil && limit.Cmp(last) < 0 {
				t.Errorf("class %s, %s: %s g, and less than for the weight below", class, row["nominal"], limit.FloatString(9))
			}
			last = limit
			if nominal.Cmp(r(t, "100")) < 0 {
				continue
			}
			ratio, _ := new(big.Rat).Quo(new(big.Rat).Quo(limit, nominal), new(big.Rat).Mul(r(t, share), r(t, "1/1000000"))).Float64()
			if n++; ratio < 0.93 || ratio > 1.07 {
				t.Errorf("class %s, %s: %s g is %.3f times what the rule gives", class, row["nominal"], limit.FloatString(6), ratio)
			}
		}
	}
	if n < 100 {
		t.Errorf("%d limits were held against the rule", n)
	}
}

// TestBalanceClasses holds the ends of the classes of OIML R 76-1:2006, Table 3 (3.2), against the steps of Table 6 that the program has:
// the greatest number of intervals is where the limits end. Min of that table is the instrument's, and no minimum weight of this package.
func TestBalanceClasses(t *testing.T) {
	seen := map[string]bool{}
	for _, row := range table(t, "oiml_r76_classes.csv") {
		class, e := row["class"], r(t, row["e_min_g"])
		seen[class] = true
		if row["n_max"] == "" {
			if _, _, err := metrology.MPEBalance(class, e, new(big.Rat).Mul(e, r(t, "100000000")), false); err != nil {
				t.Errorf("class %s has no greatest number of intervals: %v", class, err)
			}
			continue
		}
		most := new(big.Rat).Mul(e, r(t, row["n_max"]))
		if limit, _, err := metrology.MPEBalance(class, e, most, false); err != nil || limit.Cmp(new(big.Rat).Mul(e, r(t, "1.5"))) != 0 {
			t.Errorf("class %s at %s e: %v %v", class, row["n_max"], limit, err)
		}
		if limit, _, err := metrology.MPEBalance(class, e, most.Add(most, new(big.Rat).Quo(e, r(t, "10"))), false); err == nil {
			t.Errorf("class %s above %s e: %v", class, row["n_max"], limit)
		}
	}
	if len(seen) != len(metrology.BalanceClasses()) {
		t.Errorf("%v", seen)
	}
}

// TestHalfSteps holds loads just beside each break of Table 6, a thousandth of e off, so that no step is taken half an interval early.
func TestHalfSteps(t *testing.T) {
	for class, steps := range map[string][]string{"I": {"50000", "200000"}, "II": {"5000", "20000"}, "III": {"500", "2000"}, "IIII": {"50", "200"}} {
		for i, step := range steps {
			for off, want := range map[string]int64{"-1/2": int64(i + 1), "0": int64(i + 1), "1/1000": int64(i + 2), "1/2": int64(i + 2)} {
				load := new(big.Rat).Add(r(t, step), r(t, off))
				got, _, err := metrology.MPEBalance(class, r(t, "1"), load, false)
				if err != nil || got.Cmp(big.NewRat(want, 2)) != 0 {
					t.Errorf("class %s, %s e and %s: %v %v, not %d/2 e", class, step, off, got, err, want)
				}
			}
		}
	}
}

// TestAllOfUSP41 holds what the file says besides: variance, the deviation that counts, and what rounding first would have let through.
func TestAllOfUSP41(t *testing.T) {
	var file struct {
		Repeatability []map[string]any `json:"repeatability_cases"`
		Accuracy      []map[string]any `json:"accuracy_cases"`
	}
	read(t, "usp41_balances.json", &file)
	for _, c := range file.Repeatability {
		text := func(key string) string { s, _ := c[key].(string); return s }
		var x []*big.Rat
		for _, s := range c["readings_g"].([]any) {
			x = append(x, r(t, s.(string)))
		}
		v, err := metrology.Variance(x)
		if err != nil {
			t.Fatal(err)
		}
		near(t, text("name")+": variance", v, text("variance_g2"), "1")
		rep, err := metrology.RepeatabilityUSP41(x, r(t, text("d_g")))
		if err != nil || float64(rep.N) != c["n"] {
			t.Fatal(err, rep.N)
		}
		near(t, text("name")+": s that counts", rep.Effective, text("s_effective_g"), "1")
		if floor := new(big.Rat).Mul(r(t, "0.41"), r(t, text("d_g"))); floor.Cmp(r(t, text("floor_041d_g"))) != 0 || rep.Floored && rep.Effective.Cmp(floor) != 0 {
			t.Errorf("%s: floor %s", text("name"), floor)
		}
	}
	differ := 0
	for _, c := range file.Accuracy {
		text := func(key string) string { s, _ := c[key].(string); return s }
		dev, err := metrology.ErrorOf(r(t, text("reading_g")), r(t, text("test_weight_value_g")))
		if err != nil {
			t.Fatal(err)
		}
		share := new(big.Rat).Quo(r(t, text("test_weight_nominal_g")), r(t, text("capacity_g")))
		near(t, text("name"), share.Mul(share, r(t, "100")), text("test_weight_percent_of_capacity"), "1")
		rounded := r(t, dev.RoundedPercent()).Cmp(r(t, "0.10")) <= 0
		if rounded != c["passes_after_rounding"] {
			t.Errorf("%s: rounded first it passes: %v", text("name"), rounded)
		}
		if rounded != metrology.AccuracyUSP41(dev) {
			differ++
		}
	}
	if differ == 0 {
		t.Error("no case tells comparing exactly from rounding first")
	}
}

// TestAllOfTheCalibrationGuide holds every intermediate value of the file, and that the straight line never asks for less than the exact
// root: 2·SF·√(a² + b²·m²) = Req·m gives m = √(4·SF²·a²/(Req² − 4·SF²·b²)).
func TestAllOfTheCalibrationGuide(t *testing.T) {
	var file struct{ Cases []map[string]any }
	read(t, "euramet_cg18.json", &file)
	for _, c := range file.Cases {
		value := func(m map[string]any, key string) string { s, _ := m[key].(string); return s }
		inputs := c["inputs"].(map[string]any)
		in := func(key string) *big.Rat { return r(t, value(inputs, key)) }
		root := func(x *big.Rat) *big.Rat {
			y, err := metrology.Sqrt(x)
			if err != nil {
				t.Fatal(err)
			}
			return y
		}
		hold := func(key string, got *big.Rat) {
			t.Helper()
			near(t, value(c, "name")+": "+key, got, value(c, key), "1")
		}
		zero := new(big.Rat)
		cal := metrology.Calibration{Capacity: in("max_g"), AtZero: in("d0_g"), AtLoad: in("dI_g"), SD: in("s_g"), Eccentricity: in("ecc_max_difference_g"), EccentricLoad: in("ecc_load_g")}
		only := func(change func(*metrology.Calibration)) *big.Rat {
			one := metrology.Calibration{Capacity: cal.Capacity, AtZero: zero, AtLoad: zero, SD: zero, Eccentricity: zero, EccentricLoad: cal.EccentricLoad}
			change(&one)
			return root(one.IndicationVariance(in("load_g")))
		}
		hold("u_round_zero_g", only(func(o *metrology.Calibration) { o.AtZero = cal.AtZero }))
		hold("u_round_load_g", only(func(o *metrology.Calibration) { o.AtLoad = cal.AtLoad }))
		hold("u_repeatability_g", only(func(o *metrology.Calibration) { o.SD = cal.SD }))
		ecc := only(func(o *metrology.Calibration) { o.Eccentricity = cal.Eccentricity })
		hold("u_ecc_at_load_g", ecc)
		hold("w_ecc_relative", new(big.Rat).Quo(ecc, in("load_g")))
		indication := cal.IndicationVariance(in("load_g"))
		hold("u_indication_g", root(indication))
		hold("u_mass_certificate_g", root(metrology.ReferenceVariance(in("weight_U_g"), in("weight_k"), zero)))
		hold("u_mass_drift_g", root(metrology.ReferenceVariance(zero, in("weight_k"), in("weight_drift_half_width_g"))))
		reference := metrology.ReferenceVariance(in("weight_U_g"), in("weight_k"), in("weight_drift_half_width_g"))
		hold("U_error_k2_g", new(big.Rat).Mul(r(t, "2"), root(new(big.Rat).Add(indication, reference))))
		use, err := cal.InUse()
		if err != nil {
			t.Fatal(err)
		}
		inUse := c["in_use"].(map[string]any)
		a2 := cal.IndicationVariance(zero)
		b2 := new(big.Rat).Sub(cal.IndicationVariance(r(t, "1")), a2)
		near(t, "a²", a2, value(inUse, "a2_g2"), "1")
		near(t, "b²", b2, value(inUse, "b2"), "1")
		near(t, "U(Max)", use.At(in("max_g")), value(inUse, "U_at_max_g"), "1")
		minima := inUse["minimum_weight"].([]any)
		if len(minima) != 3 {
			t.Errorf("%d minimum weights", len(minima))
		}
		for _, one := range minima {
			m := one.(map[string]any)
			sf := new(big.Rat).SetInt64(int64(m["safety_factor"].(float64)))
			line, err := metrology.MinimumCG18(use, in("required_relative"), sf)
			if err != nil {
				t.Fatal(err)
			}
			four := new(big.Rat).Mul(r(t, "4"), new(big.Rat).Mul(sf, sf))
			below := new(big.Rat).Sub(new(big.Rat).Mul(in("required_relative"), in("required_relative")), new(big.Rat).Mul(four, b2))
			exact := root(new(big.Rat).Quo(new(big.Rat).Mul(four, a2), below))
			near(t, "exact root", exact, value(m, "minimum_weight_exact_root_g"), "2")
			if line.Mass.Cmp(exact) < 0 {
				t.Errorf("%s: the straight line asks for %s g, and the exact root for more, %s g", value(c, "name"), line.Mass.FloatString(9), exact.FloatString(9))
			}
		}
	}
}

// TestAllOfTheAir holds what the tables for air and buoyancy say besides: differences in millionths, factors, and the other formulas within
// what they are said to be worth (NISTIR 6969 rests on an older argon fraction, about 53·10⁻⁶ low in dry air).
func TestAllOfTheAir(t *testing.T) {
	for _, row := range table(t, "air_density.csv") {
		f := func(name string) float64 { return f64(t, row[name]) }
		air := metrology.Air{Celsius: f("t_celsius"), Pascal: f("p_pa"), Humidity: f("rh_fraction"), CO2: f("x_co2")}
		m, err := air.CIPM()
		if err != nil {
			t.Fatal(err)
		}
		simple, err := air.Simplified()
		if err != nil {
			t.Fatal(err)
		}
		within(t, "OIML less CIPM, 10⁻⁶", (simple/m.Density-1)*1e6, f("oiml_minus_cipm_ppm"), 6e-4)
		within(t, "the short form", m.Density, f("rho_cipm2007_short_form"), 2e-6)
		if air.CO2 == 0.0004 {
			within(t, "NISTIR 6969, option B", m.Density/f("rho_nist_sop2_option_b")-1, 0, 1.4e-4)
		}
		if math.Abs(simple/m.Density-1) > 2e-4 {
			t.Errorf("%+v: the approximation of OIML R 111-1 is off by more than it claims", air)
		}
	}
	for _, row := range table(t, "buoyancy_weighing.csv") {
		m, err := metrology.TrueMass(r(t, "1"), r(t, row["air_density_kg_m3"]), r(t, row["adjustment_weight_density_kg_m3"]), r(t, row["sample_density_kg_m3"]))
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["case"]+": factor", m, row["factor"], "1")
		near(t, row["case"]+": correction", m.Mul(m.Sub(m, r(t, "1")), r(t, "1000000")), row["correction_ppm"], "1")
	}
	for _, row := range table(t, "conventional_mass.csv") {
		m, err := metrology.Conventional(r(t, "1"), r(t, row["density_kg_m3"]))
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["case"]+": difference", m.Mul(m.Sub(m, r(t, "1")), r(t, "1000000")), row["relative_difference_ppm"], "1")
	}
	for _, row := range table(t, "mass_conversions.csv") {
		got := r(t, row["result_numerator"]+"/"+row["result_denominator"])
		near(t, row["value"]+" "+row["from"], got, row["result_decimal_30_digits"], "1")
		if _, ends := got.FloatPrec(); ends != (row["terminates"] == "yes") {
			t.Errorf("%s %s: its digits end: %v", row["value"], row["from"], ends)
		}
	}
}

// TestAllOfTheCharts holds what the tables for charts say besides: moving ranges, deviations and plain sums, and the factors that follow from
// those that the program has. A2, D3, D4, d3 are of charts of ranges, which weighpost does not draw: they are held among each other.
func TestAllOfTheCharts(t *testing.T) {
	var file struct {
		Individuals struct {
			X, Ranges []string
			Moving    []string `json:"moving_ranges"`
			Mean      string   `json:"mr_bar"`
			Printed   string   `json:"mr_bar_printed"`
			High      string   `json:"ucl_with_d2_1_128"`
			Low       string   `json:"lcl_with_d2_1_128"`
			HighExact string   `json:"ucl_with_exact_d2"`
			LowExact  string   `json:"lcl_with_exact_d2"`
		}
		CUSUM struct {
			Sigma string `json:"sigma_of_means"`
			K     string
			First int `json:"first_high_signal_group"`
		}
	}
	read(t, "nist_control_chart_parameters.json", &file)
	var x []float64
	for i, s := range file.Individuals.X {
		if x = append(x, f64(t, s)); i > 0 {
			within(t, "moving range", math.Abs(x[i]-x[i-1]), f64(t, file.Individuals.Moving[i-1]), 1e-9)
		}
	}
	l, err := metrology.Individuals(x)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "mean moving range", l.Sigma*1.128, f64(t, file.Individuals.Mean), 1e-13)
	within(t, "the same as printed", l.Sigma*1.128, f64(t, file.Individuals.Printed), 5e-5)
	within(t, "upper limit", l.At(3), f64(t, file.Individuals.High), 1e-12)
	within(t, "lower limit", l.At(-3), f64(t, file.Individuals.Low), 1e-12)
	d2 := 2 / math.Sqrt(math.Pi)
	within(t, "upper limit with the full d2", l.Centre+3*l.Sigma*1.128/d2, f64(t, file.Individuals.HighExact), 1e-12)
	within(t, "lower limit with the full d2", l.Centre-3*l.Sigma*1.128/d2, f64(t, file.Individuals.LowExact), 1e-12)

	c := metrology.StandardCUSUM(metrology.Limits{Centre: 325, Sigma: f64(t, file.CUSUM.Sigma)})
	within(t, "k", c.K, f64(t, file.CUSUM.K), 1e-12)
	sum, first := 0.0, 0
	for _, row := range table(t, "nist_cusum.csv") {
		off := f64(t, row["x"]) - c.Target
		sum += off
		within(t, "deviation", off, f64(t, row["deviation"]), 1e-9)
		within(t, "plain sum", sum, f64(t, row["cusum"]), 1e-9)
		if row["signal_high"] == "true" && first == 0 {
			first, _ = strconv.Atoi(row["group"])
		}
	}
	if first != file.CUSUM.First {
		t.Errorf("the first signal is at group %d, not %d", first, file.CUSUM.First)
	}
	for _, row := range table(t, "shewhart_constants.csv") {
		f := func(name string) float64 { return f64(t, row[name]) }
		root := math.Sqrt(f("n"))
		within(t, "A3", 3/(metrology.C4(int(f("n")))*root), f("A3"), 2e-8)
		within(t, "A2", 3/(f("d2")*root), f("A2"), 2e-8)
		within(t, "D3", max(0, 1-3*f("d3")/f("d2")), f("D3"), 3e-8)
		within(t, "D4", 1+3*f("d3")/f("d2"), f("D4"), 3e-8)
	}
	within(t, "d2 of two", d2, f64(t, table(t, "shewhart_constants.csv")[0]["d2"]), 5e-9)
	var run struct {
		False map[string]string `json:"false_alarm"`
	}
	read(t, "control_chart_run_rules.json", &run)
	beyond := math.Erfc(3 / math.Sqrt2)
	within(t, "P(beyond 3 sigma)", beyond, f64(t, run.False["p_beyond_3_sigma"]), 5e-13)
	within(t, "points to it", 1/beyond, f64(t, run.False["average_run_length_3_sigma_only"]), 5e-7)
}
