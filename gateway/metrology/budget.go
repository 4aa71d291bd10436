package metrology

import (
	"fmt"
	"math/big"
	"strings"
)

// GUM is the guide to the expression of uncertainty.
var GUM = Source{Name: "JCGM 100:2008 (GUM)", Clause: "5.1.2, 6.2.1"}

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

// InWeighing is what is known of one weighing and its balance, in grams. What is nil is left out of the budget, and Missing says so.
type InWeighing struct {
	Load           *big.Rat // what was weighed
	AtZero, AtLoad *big.Rat // scale intervals there
	SD             *big.Rat // repeatability
	Weighings      int      // that SD was found from
	Eccentricity   *big.Rat // greatest difference from the centre at EccentricLoad
	EccentricLoad  *big.Rat
	Reference      *big.Rat // expanded uncertainty of the reference weight, and its coverage factor
	ReferenceK     *big.Rat
	TemperaturePPM *big.Rat // coefficient of the sensitivity, 10⁻⁶ per kelvin
	Kelvin         *big.Rat // the temperature is within ± this of that of the adjustment
	Buoyancy       *big.Rat // half-width of the correction that is not made
}

// Parts gives the lines of the budget of a weighing, and names what is missing.
func (w InWeighing) Parts() (parts []Part, missing []string) {
	half := big.NewRat(1, 2)
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
	add("eccentricity", w.Eccentricity != nil && w.EccentricLoad != nil && w.EccentricLoad.Sign() > 0, func() Part {
		per := new(big.Rat).Quo(new(big.Rat).Abs(w.Load), w.EccentricLoad)
		return Part{HalfWidth: new(big.Rat).Mul(half, w.Eccentricity), Spread: Rectangular, Sensitivity: per}
	})
	add("reference weight", w.Reference != nil && w.ReferenceK != nil, func() Part { return Part{HalfWidth: w.Reference, Spread: Normal, K: w.ReferenceK} })
	add("temperature", w.TemperaturePPM != nil && w.Kelvin != nil, func() Part {
		per := new(big.Rat).Mul(new(big.Rat).Abs(w.Load), new(big.Rat).Mul(w.TemperaturePPM, big.NewRat(1, 1_000_000)))
		return Part{HalfWidth: w.Kelvin, Spread: Rectangular, Sensitivity: per}
	})
	add("air buoyancy", w.Buoyancy != nil, func() Part { return Part{HalfWidth: w.Buoyancy, Spread: Rectangular} })
	return parts, missing
}

// Table writes a budget as lines of text: part, spread, standard uncertainty in grams, share of the variance.
func (b Budget) Table() string {
	var s strings.Builder
	for _, p := range b.Parts {
		fmt.Fprintf(&s, "%s\t%s\t%s g\t%s %%\n", p.Name, p.Spread, Text(p.Standard, DecimalsFor(p.Standard), HalfEven), Text(new(big.Rat).Mul(p.Share, hundred), 1, HalfEven))
	}
	fmt.Fprintf(&s, "combined\t\t%s g\t\nexpanded, k = %s\t\t%s g\t\n", Text(b.Standard, DecimalsFor(b.Standard), HalfEven), Exact(b.K), RoundUp(b.Expanded, lastPlace(b.Expanded)).FloatString(DecimalsFor(b.Expanded)))
	return s.String()
}

// lastPlace is one unit in the second significant digit.
func lastPlace(u *big.Rat) *big.Rat {
	return new(big.Rat).SetFrac(one.Num(), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(DecimalsFor(u))), nil))
}
