package metrology_test

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/metrology"
	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

func r(t testing.TB, s string) *big.Rat {
	t.Helper()
	x, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return x
}

// table reads a CSV file of testdata with a header, as maps.
func table(t testing.TB, name string) (rows []map[string]string) {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatal(err, len(all))
	}
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, v := range line {
			row[all[0][i]] = v
		}
		rows = append(rows, row)
	}
	return rows
}

func read(t testing.TB, name string, into any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err == nil {
		err = json.Unmarshal(b, into)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// near says that a number agrees with a printed one to all of the printed one's digits: within half a unit of its last place, and one
// unit more where the printed one was cut off.
func near(t testing.TB, what string, got *big.Rat, printed string, units string) {
	t.Helper()
	decimals := 0
	if i := strings.IndexByte(printed, '.'); i >= 0 {
		decimals = len(printed) - i - 1
	}
	place := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil))
	off := new(big.Rat).Sub(got, r(t, printed))
	if off.Abs(off).Cmp(place.Mul(place, r(t, units))) > 0 {
		t.Errorf("%s: %s, and %s stands there", what, got.FloatString(decimals+4), printed)
	}
}

// TestCertifiedStatistics holds mean, standard deviation and autocorrelation against the certified values of the NIST Statistical
// Reference Datasets (univariate summary statistics), to all certified digits.
func TestCertifiedStatistics(t *testing.T) {
	for _, row := range table(t, "strd_univariate.csv") {
		t.Run(row["dataset"], func(t *testing.T) {
			var x []*big.Rat
			f, err := os.ReadFile(filepath.Join("testdata", row["data_file"]))
			if err != nil {
				t.Fatal(err)
			}
			for _, field := range strings.Fields(string(f))[1:] {
				x = append(x, r(t, field))
			}
			mean, err := metrology.Mean(x)
			sd, err2 := metrology.SD(x)
			lag, err3 := metrology.Lag1(x)
			if err != nil || err2 != nil || err3 != nil {
				t.Fatal(err, err2, err3)
			}
			near(t, "mean", mean, row["certified_mean"], "0.5")
			near(t, "standard deviation", sd, row["certified_sd_n_minus_1"], "0.5")
			near(t, "autocorrelation", lag, row["certified_lag1_autocorrelation"], "0.5")
			near(t, "mean", mean, row["recomputed_mean"], "0.5")
			near(t, "standard deviation", sd, row["recomputed_sd"], "1")
			near(t, "autocorrelation", lag, row["recomputed_lag1"], "1")
		})
	}
}

// TestWeightLimits holds every value of Table 1 of OIML R 111-1:2004 (5.1), and every tolerance of ASTM E617-18 (from memory).
func TestWeightLimits(t *testing.T) {
	for file, prefix := range map[string]string{"oiml_r111_mpe.csv": "", "astm_e617_mpe_from_memory.csv": "ASTM "} {
		n := 0
		for _, row := range table(t, file) {
			nominal := new(big.Rat).Quo(r(t, row["nominal_mg"]), r(t, "1000"))
			for column, mg := range row {
				if strings.HasPrefix(column, "nominal") {
					continue
				}
				limit, source, err := metrology.MPEWeight(prefix+strings.TrimPrefix(column, "class_"), nominal)
				switch {
				case mg == "" && err == nil:
					t.Errorf("%s of class %s has a limit: %s", row["nominal"], column, limit)
				case mg == "":
				case err != nil || new(big.Rat).Mul(limit, r(t, "1000")).Cmp(r(t, mg)) != 0 || source.FromMemory != (prefix != ""):
					t.Errorf("%s of class %s: %v %v %v, and %s mg stands there", row["nominal"], column, limit, source, err, mg)
				default:
					n++
				}
			}
		}
		if n < 140 {
			t.Errorf("%s: %d values held against it", file, n)
		}
	}
	for class, nominal := range map[string]string{"E2": "0.003", "F3": "1", "ASTM 5": "1", "": "1"} {
		if limit, _, err := metrology.MPEWeight(class, r(t, nominal)); err == nil {
			t.Errorf("class %q, %s g: %s", class, nominal, limit)
		}
	}
}

// TestBalanceLimits holds the worked loads and every step of Table 6 of OIML R 76-1:2006 (3.5.1), in service too (3.5.2).
func TestBalanceLimits(t *testing.T) {
	hold := func(class, e, load, initial, service string) {
		t.Helper()
		for inService, want := range map[bool]string{false: initial, true: service} {
			if got, _, err := metrology.MPEBalance(class, r(t, e), r(t, load), inService); err != nil || got.Cmp(r(t, want)) != 0 {
				t.Errorf("class %s, e = %s g, %s g, in service %v: %v %v, not %s g", class, e, load, inService, got, err, want)
			}
		}
	}
	for _, c := range table(t, "oiml_r76_mpe_cases.csv") {
		hold(c["class"], c["e_g"], c["load_g"], c["mpe_initial_g"], c["mpe_in_service_g"])
		hold(c["class"], c["e_g"], "-"+c["load_g"], c["mpe_initial_g"], c["mpe_in_service_g"]) // below zero the same
	}
	for _, s := range table(t, "oiml_r76_mpe.csv") {
		for _, m := range []string{s["m_from_e"], s["m_to_e_inclusive"]} {
			switch {
			case m == "":
				m = "10000000" // class I has no upper end
			case m == s["m_from_e"] && s["from_inclusive"] == "false":
				m += ".5"
			}
			hold(s["class"], "1", m, s["mpe_initial_e"], s["mpe_in_service_e"])
		}
	}
	for class, load := range map[string]string{"II": "100000.1", "III": "10000.1", "IIII": "1000.1", "V": "1"} {
		if got, _, err := metrology.MPEBalance(class, r(t, "1"), r(t, load), false); err == nil {
			t.Errorf("class %s, %s e: %s", class, load, got)
		}
	}
}

// TestRepeatabilityAndMinimumWeight holds the cases for USP <41>.
func TestRepeatabilityAndMinimumWeight(t *testing.T) {
	var cases struct {
		Repeatability []struct {
			Name     string   `json:"name"`
			D        string   `json:"d_g"`
			Readings []string `json:"readings_g"`
			Mean     string   `json:"mean_g"`
			S        string   `json:"s_g"`
			Floored  bool     `json:"floor_applies"`
			Minimum  string   `json:"minimum_weight_g"`
			Smallest string   `json:"smallest_net_weight_g"`
			Percent  string   `json:"ratio_percent"`
			Passes   bool     `json:"passes"`
		} `json:"repeatability_cases"`
		Accuracy []struct {
			Name     string `json:"name"`
			Capacity string `json:"capacity_g"`
			Value    string `json:"test_weight_value_g"`
			Reading  string `json:"reading_g"`
			Within   bool   `json:"weight_in_5_to_100_percent"`
			Percent  string `json:"deviation_percent"`
			Passes   bool   `json:"passes_exact_comparison"`
			Rounded  string `json:"deviation_rounded_2dp"`
		} `json:"accuracy_cases"`
	}
	read(t, "usp41_balances.json", &cases)
	for _, c := range cases.Repeatability {
		var x []*big.Rat
		for _, s := range c.Readings {
			x = append(x, r(t, s))
		}
		rep, err := metrology.RepeatabilityUSP41(x, r(t, c.D))
		if err != nil || !rep.Enough || rep.Floored != c.Floored || rep.Mean.Cmp(r(t, c.Mean)) != 0 {
			t.Errorf("%s: %v %+v", c.Name, err, rep)
			continue
		}
		near(t, c.Name+": s", rep.SD, c.S, "1")
		m, err := metrology.MinimumUSP41(rep.SD, r(t, c.D))
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.Name+": minimum weight", m.Mass, c.Minimum, "1")
		percent, ok, err := rep.Passes(r(t, c.Smallest))
		if err != nil || ok != c.Passes {
			t.Errorf("%s: passes %v %v", c.Name, ok, err)
		}
		near(t, c.Name+": ratio", percent, c.Percent, "1")
	}
	for _, c := range cases.Accuracy {
		dev, err := metrology.ErrorOf(r(t, c.Reading), r(t, c.Value))
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.Name, dev.Percent, c.Percent, "1")
		if metrology.AccuracyUSP41(dev) != c.Passes || dev.RoundedPercent() != c.Rounded || metrology.WithinCapacity(r(t, c.Value), r(t, c.Capacity)) != c.Within {
			t.Errorf("%s: %s %% (%s)", c.Name, dev.Percent.FloatString(6), dev.RoundedPercent())
		}
	}
	if len(cases.Repeatability) != 7 || len(cases.Accuracy) != 7 {
		t.Errorf("%d and %d cases", len(cases.Repeatability), len(cases.Accuracy))
	}
}

// TestUncertaintyOfACalibration holds the formulas of EURAMET Calibration Guide 18 (from memory) against numbers computed by another
// routine from inputs that are invented.
func TestUncertaintyOfACalibration(t *testing.T) {
	var file struct {
		Cases []struct {
			Name   string            `json:"name"`
			Inputs map[string]string `json:"inputs"`
			U2     string            `json:"u2_indication_g2"`
			URef   string            `json:"u_mass_ref_g"`
			UError string            `json:"u_error_g"`
			InUse  struct {
				Alpha   string `json:"alpha_g"`
				Beta    string `json:"beta"`
				Minimum []struct {
					SF   int64  `json:"safety_factor"`
					Line string `json:"minimum_weight_linear_g"`
				} `json:"minimum_weight"`
			} `json:"in_use"`
		} `json:"cases"`
	}
	read(t, "euramet_cg18.json", &file)
	for _, c := range file.Cases {
		in := func(name string) *big.Rat { return r(t, c.Inputs[name]) }
		cal := metrology.Calibration{Capacity: in("max_g"), AtZero: in("d0_g"), AtLoad: in("dI_g"), SD: in("s_g"), Eccentricity: in("ecc_max_difference_g"), EccentricLoad: in("ecc_load_g")}
		indication := cal.IndicationVariance(in("load_g"))
		near(t, c.Name+": u²(I)", indication, c.U2, "1")
		reference := metrology.ReferenceVariance(in("weight_U_g"), in("weight_k"), in("weight_drift_half_width_g"))
		u, err := metrology.Sqrt(reference)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.Name+": u(ref)", u, c.URef, "1")
		if u, err = metrology.Sqrt(new(big.Rat).Add(indication, reference)); err != nil {
			t.Fatal(err)
		}
		near(t, c.Name+": u(E)", u, c.UError, "1")
		use, err := cal.InUse()
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.Name+": alpha", use.Alpha, c.InUse.Alpha, "1")
		near(t, c.Name+": beta", use.Beta, c.InUse.Beta, "1")
		for _, m := range c.InUse.Minimum {
			got, err := metrology.MinimumCG18(use, in("required_relative"), big.NewRat(m.SF, 1))
			if err != nil || !got.Source.FromMemory {
				t.Fatal(err, got)
			}
			near(t, c.Name+": minimum weight", got.Mass, m.Line, "2")
			// What it is for: at that load the relative uncertainty times the safety factor is just what is required.
			at := new(big.Rat).Quo(new(big.Rat).Mul(use.At(got.Mass), big.NewRat(m.SF, 1)), got.Mass)
			if at.Cmp(in("required_relative")) != 0 {
				t.Errorf("%s: at the minimum weight the relative uncertainty is %s", c.Name, at.FloatString(12))
			}
		}
	}
	if len(file.Cases) != 3 {
		t.Errorf("%d cases", len(file.Cases))
	}
	if m, err := metrology.MinimumCG18(metrology.InUse{Alpha: r(t, "0.001"), Beta: r(t, "0.001")}, r(t, "0.001"), r(t, "1")); err == nil {
		t.Errorf("a balance that never meets the accuracy has a minimum weight: %s", m.Mass)
	}
}

// TestDensityOfAir holds the full formula CIPM-2007 and the approximation of OIML R 111-1 (E.3-1) against values computed to 50 digits.
func TestDensityOfAir(t *testing.T) {
	for _, row := range table(t, "air_density.csv") {
		f := func(name string) float64 { x, _ := r(t, row[name]).Float64(); return x }
		air := metrology.Air{Celsius: f("t_celsius"), Pascal: f("p_pa"), Humidity: f("rh_fraction"), CO2: f("x_co2")}
		m, err := air.CIPM()
		if err != nil {
			t.Fatal(err)
		}
		simple, err := air.Simplified()
		if err != nil {
			t.Fatal(err)
		}
		for name, got := range map[string]float64{"psv_pa": m.SaturationPressure, "enhancement_f": m.Enhancement, "x_v": m.WaterFraction, "Z": m.Compressibility, "rho_cipm2007": m.Density, "rho_oiml_approx": simple} {
			if want := f(name); math.Abs(got-want) > 1e-13*math.Max(1, want)*10 {
				t.Errorf("%v: %s is %.15g, not %s", air, name, got, row[name])
			}
		}
	}
	for _, a := range []metrology.Air{{Celsius: 293, Pascal: 101325, Humidity: 0.5}, {Celsius: 20, Pascal: 1013.25, Humidity: 0.5}, {Celsius: 20, Pascal: 101325, Humidity: 50}, {Celsius: math.NaN(), Pascal: 101325}} {
		if m, err := a.CIPM(); err == nil {
			t.Errorf("%v: %v", a, m)
		}
	}
}

// TestBuoyancy holds the corrections for the air: of a sample, of a comparison (NISTIR 6969, SOP 2, from memory), conventional mass.
func TestBuoyancy(t *testing.T) {
	for _, row := range table(t, "buoyancy_weighing.csv") {
		m, err := metrology.TrueMass(r(t, row["indicated_g"]), r(t, row["air_density_kg_m3"]), r(t, row["adjustment_weight_density_kg_m3"]), r(t, row["sample_density_kg_m3"]))
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["case"], m, row["true_mass_g"], "1")
	}
	for _, row := range table(t, "conventional_mass.csv") {
		m, err := metrology.Conventional(r(t, row["mass_g"]), r(t, row["density_kg_m3"]))
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["case"], m, row["conventional_mass_g"], "1")
		back, err := metrology.FromConventional(m, r(t, row["density_kg_m3"]))
		if err != nil || back.Cmp(r(t, row["mass_g"])) != 0 {
			t.Errorf("%s: back it is %v %v", row["case"], back, err)
		}
	}
	for _, row := range table(t, "buoyancy_comparison_sop2.csv") {
		m, err := metrology.Compared(r(t, row["standard_true_mass_g"]), r(t, row["standard_density_g_cm3"]), r(t, row["observed_difference_g"]), r(t, row["unknown_density_g_cm3"]), r(t, row["air_density_g_cm3"]))
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["case"], m, row["unknown_true_mass_g"], "1")
		c, err := metrology.Conventional(m, new(big.Rat).Mul(r(t, row["unknown_density_g_cm3"]), r(t, "1000")))
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["case"], c, row["unknown_conventional_mass_g"], "1")
	}
	if m, err := metrology.TrueMass(r(t, "1"), r(t, "1.2"), r(t, "8000"), r(t, "1")); err == nil {
		t.Errorf("what is lighter than air was weighed: %s", m)
	}
}

// TestConversions holds conversions between units of mass, exact to the fraction.
func TestConversions(t *testing.T) {
	for _, row := range table(t, "mass_conversions.csv") {
		named := func(key string) unit.Unit {
			u, ok := unit.ByCode(key)
			if !ok {
				u, ok = unit.Named(key)
			}
			if !ok {
				t.Fatalf("no unit %q", key)
			}
			return u
		}
		got := unit.Convert(decimal.MustParse(row["value"]), named(row["from"]), named(row["to"]))
		if want := r(t, row["result_numerator"]+"/"+row["result_denominator"]); got.Cmp(want) != 0 {
			t.Errorf("%s %s in %s: %s, not %s", row["value"], row["from"], row["to"], got, want)
		}
		if from := named(row["from"]); from.Code != "" {
			grams, err := metrology.Grams(r(t, row["value"]), from.Code)
			if want := new(big.Rat).Mul(r(t, row["value"]), from.Grams()); err != nil || grams.Cmp(want) != 0 {
				t.Errorf("%s %s is %v g %v", row["value"], row["from"], grams, err)
			}
		}
	}
	for _, code := range []string{"%", "[car_Au]", "u", "oz", "", "[lbf_av]"} {
		if m, err := metrology.Grams(r(t, "1"), code); err == nil {
			t.Errorf("%q is a mass: %s g", code, m)
		}
	}
}
