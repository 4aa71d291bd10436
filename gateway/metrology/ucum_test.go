package metrology_test

import (
	"encoding/json"
	"math"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"weighpost/gateway/metrology"
	"weighpost/gateway/needs"
	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

const ucumDir = "../../testdata/ucum"

// TestFactorsOfAnotherImplementation converts one of every unit to grams with @lhncbc/ucum-lhc 7.1.10 (npm, of the National Library of
// Medicine): a mass is the same to the last digit of a float, and what is no mass is refused by both.
func TestFactorsOfAnotherImplementation(t *testing.T) {
	needs.Programs(t, "node")
	_, err := os.Stat(filepath.Join(ucumDir, "node_modules", "@lhncbc", "ucum-lhc"))
	needs.That(t, err == nil, "ucum-lhc: cd testdata/ucum && npm ci --ignore-scripts")
	codes := []string{"N", "gf", "[lbf_av]", "[car_Au]", "%", "T", "G"}
	for _, u := range unit.All() {
		if u.Code != "" {
			codes = append(codes, u.Code)
		}
	}
	in, err := json.Marshal(codes)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", "-e", `
const ucum = require("@lhncbc/ucum-lhc").UcumLhcUtils.getInstance();
console.log(JSON.stringify(JSON.parse(process.argv[1]).map(code => ucum.convertUnitTo(code, 1, "g").toVal)));`, string(in))
	cmd.Dir = ucumDir
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var theirs []*float64
	if err := json.Unmarshal(out, &theirs); err != nil || len(theirs) != len(codes) {
		t.Fatalf("%v: %.300s", err, out)
	}
	masses := 0
	for i, code := range codes {
		ours, err := metrology.Grams(r(t, "1"), code)
		if (err == nil) != (theirs[i] != nil) {
			t.Errorf("%s: %v %v here, %v there", code, ours, err, theirs[i])
			continue
		}
		if err != nil {
			continue
		}
		masses++
		if f, _ := ours.Float64(); math.Abs(f-*theirs[i]) > 4e-16*f {
			t.Errorf("%s is %.17g g here and %.17g g there", code, f, *theirs[i])
		}
	}
	if masses < 15 {
		t.Errorf("%d masses were held against each other", masses)
	}
}

// TestConversionsOfAnotherImplementation converts what the table of conversions has, where UCUM has both units, and every unit of mass into
// every other: the same to the last digits of a float.
func TestConversionsOfAnotherImplementation(t *testing.T) {
	needs.Programs(t, "node")
	_, err := os.Stat(filepath.Join(ucumDir, "node_modules", "@lhncbc", "ucum-lhc"))
	needs.That(t, err == nil, "ucum-lhc: cd testdata/ucum && npm ci --ignore-scripts")
	type conversion struct {
		Value, From, To string
		want            *big.Rat
	}
	var all []conversion
	for _, row := range table(t, "mass_conversions.csv") {
		_, ok := unit.ByCode(row["from"])
		if _, also := unit.ByCode(row["to"]); ok && also {
			all = append(all, conversion{row["value"], row["from"], row["to"], r(t, row["result_numerator"]+"/"+row["result_denominator"])})
		}
	}
	rows := len(all)
	for _, from := range unit.All() {
		for _, to := range unit.All() {
			if from.Code != "" && to.Code != "" && from.IsMass() && to.IsMass() {
				all = append(all, conversion{"12.345", from.Code, to.Code, unit.Convert(decimal.MustParse("12.345"), from, to)})
			}
		}
	}
	in, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", "-e", `
const ucum = require("@lhncbc/ucum-lhc").UcumLhcUtils.getInstance();
console.log(JSON.stringify(JSON.parse(process.argv[1]).map(c => ucum.convertUnitTo(c.From, Number(c.Value), c.To).toVal)));`, string(in))
	cmd.Dir = ucumDir
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var theirs []*float64
	if err := json.Unmarshal(out, &theirs); err != nil || len(theirs) != len(all) {
		t.Fatalf("%v: %.300s", err, out)
	}
	for i, c := range all {
		f, _ := c.want.Float64()
		switch {
		case theirs[i] == nil:
			t.Errorf("%s %s in %s: %.17g here, and nothing there", c.Value, c.From, c.To, f)
		case math.Abs(f-*theirs[i]) > 1e-15*math.Abs(f):
			t.Errorf("%s %s in %s: %.17g here, %.17g there", c.Value, c.From, c.To, f, *theirs[i])
		}
	}
	if rows < 12 || len(all) < 250 {
		t.Errorf("%d rows of the table and %d conversions were held against each other", rows, len(all))
	}
}
