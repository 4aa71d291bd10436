package checks

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// What a check measures.
const (
	Accuracy      = "accuracy"      // the error at one load or more
	Sensitivity   = "sensitivity"   // the error of the span between zero and a load near capacity
	Repeatability = "repeatability" // the scatter of one load weighed again and again
	Eccentricity  = "eccentricity"  // one load at several places of the pan
	Linearity     = "linearity"     // errors over the range, up and down
)

// Definition is one check as a lab wants it.
type Definition struct {
	Name      string    `yaml:"name" json:"name" desc:"The check's name: a to z, 0 to 9 and -."`
	Use       string    `yaml:"use" json:"use,omitempty" desc:"A ready-made check to begin with: what stands beside it here takes the place of what it says." enum:"one-weight,span,repeat-ten,repeat-five,corners,up-and-down,minimum-weight"`
	Measures  string    `yaml:"measures" json:"measures" desc:"What it measures. accuracy: the error at each load; sensitivity: the error between zero and one load near capacity; repeatability: the scatter of one load; eccentricity: one load at several places of the pan; linearity: errors over the range." enum:"accuracy,sensitivity,repeatability,eccentricity,linearity"`
	Questions []string  `yaml:"questions" json:"questions,omitempty" desc:"What is asked before the first weight, to be answered with yes: whether the balance is level, and its pan clean. A no ends the check without a verdict."`
	Loads     []string  `yaml:"loads" json:"loads" desc:"The loads: masses with their unit, or parts of the capacity, such as 200 g or 50 %. For a part of the capacity the greatest reference weight is taken that is not above it, and it has to be two fifths of it or more. linearity: in rising order."`
	Times     int       `yaml:"times" json:"times,omitempty" desc:"repeatability: how often the load is weighed, 2 to 50. The chapter USP <41> asks for ten or more: with fewer the result says so."`
	Positions []string  `yaml:"positions" json:"positions,omitempty" desc:"eccentricity: the places of the pan after its centre, in their order."`
	Down      bool      `yaml:"down" json:"down,omitempty" desc:"linearity: whether the loads are taken off again one after the other, and weighed."`
	Tolerance Tolerance `yaml:"tolerance" json:"tolerance" desc:"The limit beyond which the balance fails."`
	WarnAt    int       `yaml:"warn_at" json:"warn_at" desc:"From how much of the limit a result is a warning, in per cent of it, 10 to 100; 100: never. Left out: 70."`
	Repeats   *int      `yaml:"repeats" json:"repeats" desc:"How often each step may be done again, with a reason, 0 to 5. What is replaced stays in the record." default:"1"`
	DoubtAt   int       `yaml:"doubt_at" json:"doubt_at" desc:"From how far off a load is taken for the wrong one, in per cent of it, 1 to 50: the person is asked. Left out: 5."`
	Settle    Settle    `yaml:"settle" json:"settle" desc:"When a stream of readings has come to rest."`
	// Uncertainty has the expanded uncertainty of each error beside it.
	Uncertainty bool `yaml:"uncertainty" json:"uncertainty,omitempty" desc:"Whether the report gives the expanded uncertainty (k = 2) of each error."`
}

// Tolerance is one of the ways in which a limit is said.
type Tolerance struct {
	Mass     string `yaml:"mass" json:"mass,omitempty" desc:"A mass, such as 0.3 mg: the lab's own tolerance."`
	Percent  string `yaml:"percent" json:"percent,omitempty" desc:"Per cent of the load, such as 0.05: the lab's own tolerance."`
	D        int    `yaml:"d" json:"d,omitempty" desc:"Multiples of the readability d, 1 to 1000: the lab's own tolerance."`
	Verified string `yaml:"verified" json:"verified,omitempty" desc:"The maximum permissible error of a verified balance at the load (OIML R 76-1): initial, or in-service, which is twice that. Needs the balance's class and verification interval." enum:"initial,in-service"`
	USP41    bool   `yaml:"usp41" json:"usp41,omitempty" desc:"USP <41>: 0.10 % of the load; for repeatability 2 s at most 0.10 % of smallest."`
	Smallest string `yaml:"smallest" json:"smallest,omitempty" desc:"The smallest net weight that the lab weighs on the balance, with its unit: repeatability by USP <41> is judged for it."`
}

// Settle says when a stream has come to rest.
type Settle struct {
	Frames  int             `yaml:"frames" json:"frames" desc:"Readings in a row that agree, 2 to 100; one less where the balance flags them as stable. Left out: 3."`
	WithinD int             `yaml:"within_d" json:"within_d" desc:"How far they may differ, in multiples of d, 1 to 100. Left out: 1."`
	For     strict.Duration `yaml:"for" json:"for" desc:"Over how long at least, up to 1m. Left out: 1s."`
}

// Hash names what a check is made of: it is in every entry of the check, so that another definition of the same name is another check.
func (d Definition) Hash() string {
	b, err := json.Marshal(d)
	if err != nil {
		panic(err) // texts, numbers and switches
	}
	return fmt.Sprintf("sha256:%x", sha256.Sum256(b))
}

// Check adds what is wrong with a definition that Complete has filled in.
func (d *Definition) Check(r *strict.Report) {
	if err := record.CheckName(d.Name); err != nil {
		r.At("name").Fault(err.Error(), "a to z, 0 to 9 and -, such as daily")
	}
	kinds := []string{Accuracy, Sensitivity, Repeatability, Eccentricity, Linearity}
	if !slices.Contains(kinds, d.Measures) {
		r.At("measures").Fault(fmt.Sprintf("%.40q is nothing that a check measures", d.Measures), strings.Join(kinds, ", "))
		return
	}
	d.checkLoads(r)
	d.checkShape(r)
	for i, q := range d.Questions {
		if len(strings.TrimSpace(q)) == 0 || len(q) > 200 {
			r.At("questions").Index(i).Fault("is no question that fits a screen", "1 to 200 characters, to be answered with yes")
		}
	}
	bounds(r, "warn_at", d.WarnAt, 10, 100)
	if d.Repeats != nil {
		bounds(r, "repeats", *d.Repeats, 0, 5)
	}
	bounds(r, "doubt_at", d.DoubtAt, 1, 50)
	bounds(r.At("settle"), "frames", d.Settle.Frames, 2, 100)
	bounds(r.At("settle"), "within_d", d.Settle.WithinD, 0, 100)
	r.At("settle").At("for").Within(d.Settle.For, 0, time.Minute)
	d.Tolerance.check(r.At("tolerance"), d.Measures)
}

func bounds(r *strict.Report, key string, value, least, most int) {
	if value < least || value > most {
		r.At(key).Fault(fmt.Sprintf("%d is out of range", value), fmt.Sprintf("%d to %d", least, most))
	}
}

func (d *Definition) checkLoads(r *strict.Report) {
	most := map[string]int{Accuracy: 10, Sensitivity: 1, Repeatability: 1, Eccentricity: 1, Linearity: 15}[d.Measures]
	if len(d.Loads) == 0 || len(d.Loads) > most {
		r.At("loads").Fault(fmt.Sprintf("are %d", len(d.Loads)), fmt.Sprintf("1 to %d for %s", most, d.Measures))
	}
	var before load
	for i, s := range d.Loads {
		l, err := parseLoad(s)
		switch {
		case err != nil:
			r.At("loads").Index(i).Fault(err.Error(), "a mass such as 200 g, or a part of the capacity such as 50 %")
		case d.Measures == Linearity && !l.above(before):
			r.At("loads").Index(i).Fault("is not above the load before it", "loads in rising order")
		}
		before = l
	}
}

// checkShape looks at what only some kinds of check have.
func (d *Definition) checkShape(r *strict.Report) {
	if d.Measures == Repeatability {
		bounds(r, "times", d.Times, 2, 50)
	} else if d.Times != 0 {
		r.At("times").Fault("says nothing for "+d.Measures, "leave it out: it is for repeatability")
	}
	switch {
	case d.Measures == Eccentricity && (len(d.Positions) < 2 || len(d.Positions) > 12):
		r.At("positions").Fault(fmt.Sprintf("are %d", len(d.Positions)), "2 to 12 places of the pan after its centre")
	case d.Measures != Eccentricity && len(d.Positions) > 0:
		r.At("positions").Fault("say nothing for "+d.Measures, "leave them out: they are for eccentricity")
	}
	if d.Uncertainty && (d.Measures == Repeatability || d.Measures == Eccentricity && d.Tolerance.Verified == "") {
		r.At("uncertainty").Fault("says nothing for "+d.Measures, "leave it out: it is of an error against what weights are worth")
	}
	if d.Down && d.Measures != Linearity {
		r.At("down").Fault("says nothing for "+d.Measures, "leave it out: it is for linearity")
	}
}

func (t *Tolerance) check(r *strict.Report, measures string) {
	said := 0
	for _, there := range []bool{t.Mass != "", t.Percent != "", t.D != 0, t.Verified != "", t.USP41} {
		if there {
			said++
		}
	}
	if said != 1 {
		r.Fault(fmt.Sprintf("says %d limits", said), "one of mass, percent, d, verified and usp41")
	}
	if t.Mass != "" {
		if _, err := metrology.ParseMass(t.Mass); err != nil {
			r.At("mass").Fault(err.Error(), "a mass such as 0.3 mg")
		}
	}
	if t.Percent != "" {
		if p, ok := metrology.ParseNumber(t.Percent); !ok || p.Sign() <= 0 || p.Cmp(big.NewRat(50, 1)) > 0 {
			r.At("percent").Fault(fmt.Sprintf("%.20q is no tolerance", t.Percent), "a number above 0, up to 50, such as 0.05")
		}
	}
	if t.D != 0 {
		bounds(r, "d", t.D, 1, 1000)
	}
	if t.Verified != "" && measures == Repeatability {
		r.At("verified").Fault("is a limit of errors, and repeatability has none", "mass, d or usp41")
	}
	switch {
	case t.USP41 && measures == Repeatability:
		if _, err := metrology.ParseMass(t.Smallest); err != nil {
			r.At("smallest").Fault(err.Error(), "the smallest net weight that the lab weighs on the balance, such as 20 mg")
		}
	case t.Smallest != "":
		r.At("smallest").Fault("says nothing here", "leave it out: it is for repeatability by usp41")
	}
	if t.Percent != "" && measures == Repeatability {
		r.At("percent").Fault("is of a load, and the scatter has none", "mass, d or usp41")
	}
}

// load is a mass, or a part of the capacity.
type load struct {
	grams *big.Rat
	part  *big.Rat // of the capacity, 0 to 1; nil for a mass
	text  string
}

// above says whether a load is greater than another, as far as that can be told before the capacity is known.
func (l load) above(o load) bool {
	switch {
	case l.grams != nil && o.grams != nil:
		return l.grams.Cmp(o.grams) > 0
	case l.part != nil && o.part != nil:
		return l.part.Cmp(o.part) > 0
	}
	return true
}

func parseLoad(s string) (load, error) {
	if number, is := strings.CutSuffix(strings.TrimSpace(s), "%"); is {
		p, ok := metrology.ParseNumber(strings.TrimSpace(number))
		if !ok || p.Sign() <= 0 || p.Cmp(big.NewRat(100, 1)) > 0 {
			return load{}, fmt.Errorf("%.20q is no part of the capacity", s)
		}
		return load{part: p.Quo(p, big.NewRat(100, 1)), text: s}, nil
	}
	g, err := metrology.ParseMass(s)
	return load{grams: g, text: s}, err
}
