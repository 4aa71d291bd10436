package fitness

import (
	"fmt"
	"math/big"
	"strings"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// wrong says in a sentence what is wrong with one thing that was sent, and where it is.
func wrong(field, format string, a ...any) error {
	return &record.NotDone{Why: fmt.Sprintf(format, a...), Field: field}
}

// today is the day at the site, YYYY-MM-DD, or "" while the clock cannot say.
func (r *Room) today() string { return dayFor(r.o.Stamp(), r.o.Zone) }

// dayFor is the day of a stamp. A clock that nobody has checked says nothing that a date could be refused by.
func dayFor(s record.Stamp, zone *time.Location) string {
	if s.Clock == record.ClockUnchecked {
		return ""
	}
	return s.UTC.Time().In(zone).Format(time.DateOnly)
}

// CheckWeight says why what is said of a weight cannot be taken, or nil. today is the day at the site, YYYY-MM-DD, "" where it is not known.
// The error is a *record.NotDone.
func CheckWeight(w *record.ReferenceWeight, today string) error {
	if err := record.CheckName(w.ID); err != nil {
		return wrong("id", "the id of the weight %v", err)
	}
	nominal, err := metrology.ParseMass(string(w.Nominal))
	if err != nil {
		return wrong("nominal", "the nominal mass %v", err)
	}
	if w.Class != "" {
		if _, _, err := metrology.MPEWeight(w.Class, nominal); err != nil {
			return wrong("class", "%v", err)
		}
	}
	if err := checkConventional(w, nominal); err != nil {
		return err
	}
	if err := checkDensity(w); err != nil {
		return err
	}
	for _, one := range []struct{ field, name, text string }{{"set", "set", w.Set}, {"serial", "serial number", w.Serial}} {
		if err := plain(one.field, one.name, one.text); err != nil {
			return err
		}
	}
	if w.Certificate == nil {
		return nil
	}
	return checkCertificate("certificate.", w.Certificate, today)
}

// checkConventional looks at the conventional mass and its uncertainty. A mass that is off the nominal one by more than a thousandth and a
// milligram is another weight's.
func checkConventional(w *record.ReferenceWeight, nominal *big.Rat) error {
	if w.Conventional != "" {
		value, err := metrology.ParseMass(string(w.Conventional))
		if err != nil {
			return wrong("conventional", "the conventional mass %v", err)
		}
		most := big.NewRat(1, 1000)
		most.Add(most, new(big.Rat).Mul(nominal, most))
		if value.Sub(value, nominal).Abs(value).Cmp(most) > 0 {
			return wrong("conventional", "a conventional mass of %s is too far from the nominal %s to be this weight's: look at the certificate again", w.Conventional, w.Nominal)
		}
	}
	if (w.Uncertainty != "") != (w.CoverageFactor != "") {
		return wrong("k", "an expanded uncertainty has its coverage factor k beside it, such as 2: give both, or neither")
	}
	if w.Uncertainty == "" {
		return nil
	}
	u, err := metrology.ParseMass(string(w.Uncertainty))
	if err != nil {
		return wrong("uncertainty", "the uncertainty %v", err)
	}
	if u.Cmp(nominal) >= 0 {
		return wrong("uncertainty", "an uncertainty of %s is as much as the weight itself, %s: look at its unit", w.Uncertainty, w.Nominal)
	}
	return checkFactor("k", w.CoverageFactor)
}

// checkFactor looks at a coverage factor k.
func checkFactor(field, text string) error {
	if k, err := plainNumber(text); err != nil || k.Cmp(big.NewRat(1, 1)) < 0 || k.Cmp(big.NewRat(10, 1)) > 0 {
		return wrong(field, "the coverage factor k is %.20q%s: write a number from 1 to 10, such as 2", text, because(err))
	}
	return nil
}

// Densities of what weights are made of, kg/m³: from magnesium alloys to platinum and iridium, with room.
var leastDensity, mostDensity = big.NewRat(1000, 1), big.NewRat(23000, 1)

func checkDensity(w *record.ReferenceWeight) error {
	if w.Density == "" {
		if w.DensityUncertainty != "" {
			return wrong("density_kg_m3", "the uncertainty of a density is given, and not the density: give both, or neither")
		}
		return nil
	}
	d, err := plainNumber(w.Density)
	if err != nil || d.Cmp(leastDensity) < 0 || d.Cmp(mostDensity) > 0 {
		return wrong("density_kg_m3", "the density is %.20q%s: write it in kg/m³, from 1000 to 23000, such as 8000 for steel", w.Density, because(err))
	}
	if w.DensityUncertainty == "" {
		return nil
	}
	if u, err := plainNumber(w.DensityUncertainty); err != nil || u.Sign() <= 0 || u.Cmp(d) >= 0 {
		return wrong("density_uncertainty_kg_m3", "the uncertainty of the density is %.20q%s: write it in kg/m³, above 0 and below the density", w.DensityUncertainty, because(err))
	}
	return nil
}

// checkCalibration looks at the certificate of a balance. U(W) = alpha + beta W is the expanded uncertainty in use: alpha a mass, beta without
// a unit, neither below zero.
func checkCalibration(c *record.Calibration, today string) error {
	const at = "calibration."
	if err := checkCertificate(at, &c.Certificate, today); err != nil {
		return err
	}
	if (c.Alpha == "") != (c.Beta == "") {
		return wrong(at+map[bool]string{true: "alpha", false: "beta"}[c.Alpha == ""], "the uncertainty in use of a certificate is alpha and beta: give both, or neither")
	}
	if c.CoverageFactor != "" {
		if err := checkFactor(at+"k", c.CoverageFactor); err != nil {
			return err
		}
	}
	if c.Alpha == "" {
		return nil
	}
	if _, err := metrology.ParseMass(string(c.Alpha)); err != nil {
		return wrong(at+"alpha", "alpha is the uncertainty without load, a mass: %v", err)
	}
	b, err := plainNumber(c.Beta)
	switch {
	case err != nil:
		return wrong(at+"beta", "beta is %.40q%s: write a number without a unit, such as 0.0000015", c.Beta, because(err))
	case b.Sign() < 0:
		return wrong(at+"beta", "beta is %s: an uncertainty does not shrink below nothing as the load grows", c.Beta)
	case b.Cmp(big.NewRat(1, 10)) >= 0:
		return wrong(at+"beta", "beta is %s, so that a tenth of any load or more would be uncertain: it has no unit, so look whether the certificate gives it per cent, or in mg/g", c.Beta)
	}
	return nil
}

// checkCertificate looks at the dates and words of a certificate.
func checkCertificate(at string, c *record.Certificate, today string) error {
	for _, one := range []struct{ field, name, text string }{{"number", "number of the certificate", c.Number}, {"by", "laboratory", c.By}} {
		if err := plain(at+one.field, one.name, one.text); err != nil {
			return err
		}
	}
	for _, one := range []struct{ field, name, date string }{{"date", "date of the certificate", c.Date}, {"due", "day until which it is relied on", c.Due}} {
		if _, err := time.Parse(time.DateOnly, one.date); one.date != "" && err != nil {
			return wrong(at+one.field, "the %s is %.20q, which is no day of the calendar: write it as 2026-11-30", one.name, one.date)
		}
	}
	switch {
	case c.Date != "" && today != "" && c.Date > today:
		return wrong(at+"date", "the certificate is dated %s, and today is %s: a certificate is not from the future", c.Date, today)
	case c.Date != "" && c.Due != "" && c.Due <= c.Date:
		return wrong(at+"due", "the certificate is due on %s, which is not after its date %s", c.Due, c.Date)
	}
	return nil
}

func plain(field, name, text string) error {
	if err := record.CheckReason(text); text != "" && (err != nil || len(text) > 200) {
		return wrong(field, "the %s is longer than 200 bytes, or holds what cannot be printed", name)
	}
	return nil
}

// plainNumber reads digits with a point, and nothing else: no comma, no exponent, no unit.
func plainNumber(text string) (*big.Rat, error) {
	n, ok := metrology.ParseNumber(text)
	switch {
	case ok:
		return n, nil
	case strings.Contains(text, ","):
		return nil, fmt.Errorf("and nobody knows whether the comma stands for a point or divides thousands")
	}
	return nil, fmt.Errorf("which is no number")
}

func because(err error) string {
	if err == nil {
		return ""
	}
	return ", " + err.Error()
}
