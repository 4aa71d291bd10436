package metrology

import (
	"fmt"
	"math/big"
	"strings"
)

// GUM is the guide to the expression of uncertainty.
var GUM = Source{Name: "JCGM 100:2008 (GUM)", Clause: "5.1.2, 6.2.1", FromMemory: true}

// Spread is how a quantity is taken to vary about its value.
type Spread string

const (
	Normal      Spread = "normal"      // its half-width is k standard uncertainties
	Rectangular Spread = "rectangular" // anywhere within ± half-width alike: divided by √3 (GUM 4.3.7)
	Triangular  Spread = "triangular"  // rather in the middle: divided by √6 (GUM 4.3.9)
)

// Part is one line of an uncertainty budget. HalfWidth times Sensitivity is in grams.
type Part struct {
	Name        string
	HalfWidth   *big.Rat // or the expanded uncertainty, or a standard deviation with K = 1
	Spread      Spread
	K           *big.Rat // for Normal: what HalfWidth is divided by; nil: 1
	Sensitivity *big.Rat // nil: 1
	Freedom     int      // degrees of freedom; 0: without end
	// Standard is the standard uncertainty in grams, and Share its part of the combined variance, 0 to 1: filled by Combine.
	Standard, Share *big.Rat
}

// variance is the square of the standard uncertainty of a part, in g².
func (p *Part) variance() (*big.Rat, error) {
	if p.HalfWidth == nil || p.HalfWidth.Sign() < 0 {
		return nil, fmt.Errorf("%s: an uncertainty is a number that is not negative", p.Name)
	}
	v := new(big.Rat).Set(p.HalfWidth)
	if p.Sensitivity != nil {
		v.Mul(v, p.Sensitivity)
	}
	v.Mul(v, v)
	switch p.Spread {
	case Rectangular:
		return v.Quo(v, big.NewRat(3, 1)), nil
	case Triangular:
		return v.Quo(v, big.NewRat(6, 1)), nil
	case Normal:
		if p.K == nil {
			return v, nil
		}
		if p.K.Sign() <= 0 {
			return nil, fmt.Errorf("%s: a coverage factor is greater than zero", p.Name)
		}
		return v.Quo(v, new(big.Rat).Mul(p.K, p.K)), nil
	}
	return nil, fmt.Errorf("%s: %.20q is no spread: normal, rectangular or triangular", p.Name, string(p.Spread))
}

// Budget is an uncertainty with its parts.
type Budget struct {
	Parts    []Part
	Standard *big.Rat // combined
	K        *big.Rat // coverage factor
	Expanded *big.Rat // K × Standard
	// Freedom is the effective degrees of freedom (Welch and Satterthwaite, GUM G.4.1), rounded down; 0: without end, or above a million.
	Freedom int64
}

// Combine makes a budget of independent parts, with a coverage factor (2 for about 95 % where Freedom is large).
func Combine(parts []Part, k *big.Rat) (b Budget, err error) {
	if len(parts) == 0 || k.Sign() <= 0 {
		return b, fmt.Errorf("an uncertainty budget has a part or more, and a coverage factor greater than zero")
	}
	sum, fourth := new(big.Rat), new(big.Rat)
	var variances []*big.Rat
	for i := range parts {
		v, err := parts[i].variance()
		if err != nil {
			return b, err
		}
		variances = append(variances, v)
		sum.Add(sum, v)
		if f := parts[i].Freedom; f > 0 {
			fourth.Add(fourth, new(big.Rat).Quo(new(big.Rat).Mul(v, v), big.NewRat(int64(f), 1)))
		}
	}
	b.Parts, b.K = append(b.Parts, parts...), k
	for i, v := range variances {
		if b.Parts[i].Standard, err = Sqrt(v); err != nil {
			return b, err
		}
		b.Parts[i].Share = new(big.Rat)
		if sum.Sign() > 0 {
			b.Parts[i].Share.Quo(v, sum)
		}
	}
	if b.Standard, err = Sqrt(sum); err != nil {
		return b, err
	}
	b.Expanded = new(big.Rat).Mul(k, b.Standard)
	if fourth.Sign() > 0 {
		f := new(big.Rat).Quo(new(big.Rat).Mul(sum, sum), fourth)
		if whole := new(big.Int).Quo(f.Num(), f.Denom()); whole.IsInt64() && whole.Int64() <= 1_000_000 {
			b.Freedom = whole.Int64()
		}
	}
	return b, nil
}

// coverage holds k for a level of confidence of 95.45 %, two-sided, by Student's t, for 1 to 30 degrees of freedom, in hundredths (JCGM
// 100:2008, table G.2; the test works them out again).
var coverage = [...]int64{1397, 453, 331, 287, 265, 252, 243, 237, 232, 228, 225, 223, 221, 220, 218, 217, 216, 215, 214, 213, 213, 212, 211, 211, 211, 210, 210, 209, 209, 209}

// Coverage is the coverage factor for about 95 % (95.45 %) at so many effective degrees of freedom: t of Student's distribution to two
// decimals, and 2 where they are without end (0) or 200 and more, where t is at most 2.013. From 30 on there are few rows, and the row
// below is taken: k is rather too large (JCGM 100:2008, G.4; EA-4/02 M:2022, annex E, from memory).
func Coverage(freedom int64) *big.Rat {
	switch {
	case freedom <= 0 || freedom >= 200:
		return big.NewRat(2, 1)
	case freedom <= int64(len(coverage)):
		return big.NewRat(coverage[freedom-1], 100)
	case freedom < 40:
		return big.NewRat(209, 100)
	case freedom < 50:
		return big.NewRat(206, 100)
	case freedom < 100:
		return big.NewRat(205, 100)
	}
	return big.NewRat(203, 100)
}

// CombineFor95 makes a budget of independent parts with the coverage factor that its effective degrees of freedom ask for: 2 where no part
// is known from few values only.
func CombineFor95(parts []Part) (Budget, error) {
	b, err := Combine(parts, Coverage(0))
	if err == nil && b.Freedom > 0 {
		b.K = Coverage(b.Freedom)
		b.Expanded = new(big.Rat).Mul(b.K, b.Standard)
	}
	return b, err
}

// InWeighing is what is known of one weighing and its balance, in grams. What is nil is left out of the budget, and Parts names it.
type InWeighing struct {
	Load           *big.Rat // what was weighed
	AtZero, AtLoad *big.Rat // scale intervals there
	SD             *big.Rat // repeatability
	Weighings      int      // that SD was found from; 0: not known, and SD is taken as exact
	Eccentricity   *big.Rat // greatest difference from the centre at EccentricLoad
	EccentricLoad  *big.Rat
	Reference      *big.Rat // expanded uncertainty of the reference weight that the balance was held against, and its coverage factor
	ReferenceK     *big.Rat
	ReferenceLoad  *big.Rat // what that weight weighs: its uncertainty grows with the load; nil: it is taken as it is, as at that load
	TemperaturePPM *big.Rat // coefficient of the sensitivity, 10⁻⁶ per kelvin
	Kelvin         *big.Rat // the temperature is within ± this of that of the adjustment
	Buoyancy       *big.Rat // half-width of the correction that is not made
}

// Parts gives the lines of the budget of a weighing, and names what is missing.
func (w InWeighing) Parts() (parts []Part, missing []string) {
	half, load := big.NewRat(1, 2), new(big.Rat)
	if w.Load != nil {
		load.Abs(w.Load)
	}
	add := func(name string, there bool, p func() Part) {
		if !there {
			missing = append(missing, name)
			return
		}
		one := p()
		one.Name = name
		parts = append(parts, one)
	}
	add("readability at zero", w.AtZero != nil, func() Part { return Part{HalfWidth: new(big.Rat).Mul(half, w.AtZero), Spread: Rectangular} })
	add("readability at the load", w.AtLoad != nil, func() Part { return Part{HalfWidth: new(big.Rat).Mul(half, w.AtLoad), Spread: Rectangular} })
	add("repeatability", w.SD != nil, func() Part { return Part{HalfWidth: w.SD, Spread: Normal, Freedom: max(w.Weighings-1, 0)} })
	add("eccentricity", w.Load != nil && w.Eccentricity != nil && w.EccentricLoad != nil && w.EccentricLoad.Sign() > 0, func() Part {
		per := new(big.Rat).Quo(load, w.EccentricLoad)
		return Part{HalfWidth: new(big.Rat).Mul(half, w.Eccentricity), Spread: Rectangular, Sensitivity: per}
	})
	add("reference weight", w.Reference != nil && w.ReferenceK != nil, func() Part {
		p := Part{HalfWidth: w.Reference, Spread: Normal, K: w.ReferenceK}
		if w.Load != nil && w.ReferenceLoad != nil && w.ReferenceLoad.Sign() > 0 {
			p.Sensitivity = new(big.Rat).Quo(load, w.ReferenceLoad)
		}
		return p
	})
	add("temperature", w.Load != nil && w.TemperaturePPM != nil && w.Kelvin != nil, func() Part {
		per := new(big.Rat).Mul(load, new(big.Rat).Mul(w.TemperaturePPM, big.NewRat(1, 1_000_000)))
		return Part{HalfWidth: w.Kelvin, Spread: Rectangular, Sensitivity: per}
	})
	add("air buoyancy", w.Buoyancy != nil, func() Part { return Part{HalfWidth: w.Buoyancy, Spread: Rectangular} })
	return parts, missing
}

// Table writes a budget as lines of text: part, spread, standard uncertainty in grams, share of the variance.
func (b Budget) Table() string {
	var s strings.Builder
	for _, p := range b.Parts {
		fmt.Fprintf(&s, "%s\t%s\t%s g\t%s %%\n", p.Name, p.Spread, TwoDigits(p.Standard), Text(new(big.Rat).Mul(p.Share, hundred), 1, HalfEven))
	}
	fmt.Fprintf(&s, "combined\t\t%s g\t\nexpanded, k = %s\t\t%s g\t\n", TwoDigits(b.Standard), Exact(b.K), Uncertainty(b.Expanded))
	return s.String()
}
