package fitness

import (
	"math/big"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// Minimum gives the minimum weight in force of a balance: the greatest of those that its configuration asks for. Where one of them is not
// known yet, there is none, and why says what is missing: a limit that might be too low is worse than none.
func (r *Room) Minimum(balance string) (m *record.MinimumWeight, why string) {
	b, ok := r.configured(balance)
	if !ok {
		return nil, ""
	}
	last := r.minimum(balance, b)
	return last.m, last.why
}

// minimum is Minimum of a balance that is configured so, with its mass read.
func (r *Room) minimum(balance string, b Balance) minimum {
	r.view.Lock()
	f := r.file(balance)
	from := sources{f.Measured, f.Calibrated, b.Config.Minimum}
	last := r.minima[balance]
	r.view.Unlock()
	if last.from != from {
		last.from = from
		last.m, last.why = from.minimum()
		if last.least = nil; last.m != nil {
			last.least, last.unread = metrology.ParseMass(string(last.m.Mass))
		}
		r.view.Lock()
		r.minima[balance] = last
		r.view.Unlock()
	}
	return last
}

// sources are what a minimum weight is worked out from. What they point to is never changed, only replaced.
type sources struct {
	measured   *record.MinimumWeight
	calibrated *record.Upkeep
	cfg        Minimum
}

// minimum is a minimum weight as it was worked out last: it is asked for with every line of every balance.
type minimum struct {
	from   sources
	m      *record.MinimumWeight
	why    string
	least  *big.Rat // in grams; nobody changes it
	unread error    // why m.Mass is no mass
}

func (s sources) minimum() (m *record.MinimumWeight, why string) {
	var list []*record.MinimumWeight
	if s.cfg.Mass != "" {
		list = append(list, &record.MinimumWeight{Mass: record.Mass(s.cfg.Mass), Source: "set by the lab"})
	}
	if s.cfg.USP41 {
		if s.measured == nil {
			return nil, "no repeatability check with ten weighings or more has passed yet"
		}
		list = append(list, s.measured)
	}
	if s.cfg.CG18 != nil {
		one, why := byCertificate(s.calibrated, s.cfg.CG18)
		if why != "" {
			return nil, why
		}
		list = append(list, one)
	}
	for _, one := range list {
		if m == nil || greater(one.Mass, m.Mass) {
			m = one
		}
	}
	return m, ""
}

func greater(a, b record.Mass) bool {
	x, err1 := metrology.ParseMass(string(a))
	y, err2 := metrology.ParseMass(string(b))
	return err1 == nil && err2 == nil && x.Cmp(y) > 0
}

// byCertificate works out the minimum weight of a calibration certificate.
func byCertificate(u *record.Upkeep, cfg *CG18) (*record.MinimumWeight, string) {
	if u == nil || u.Calibration.Alpha == "" {
		return nil, "no calibration certificate with an uncertainty in use is registered"
	}
	alpha, err := metrology.ParseMass(string(u.Calibration.Alpha))
	beta, ok := metrology.ParseNumber(u.Calibration.Beta)
	req, ok2 := metrology.ParseNumber(cfg.Required)
	sf, ok3 := metrology.ParseNumber(cfg.Safety)
	if err != nil || !ok || !ok2 || !ok3 {
		return nil, "the uncertainty in use of the certificate " + u.Calibration.Number + " cannot be read"
	}
	m, err := metrology.MinimumCG18(metrology.InUse{Alpha: alpha, Beta: beta}, req.Quo(req, big.NewRat(100, 1)), sf)
	if err != nil {
		return nil, err.Error()
	}
	up := metrology.RoundUp(m.Mass, big.NewRat(1, 10_000_000))
	return &record.MinimumWeight{Mass: record.Mass(metrology.Exact(up) + " g"), Entry: u.ID,
		Source: "certificate " + u.Calibration.Number + ", U(W) = " + string(u.Calibration.Alpha) + " + " + u.Calibration.Beta + " W, required " + cfg.Required + " %, safety factor " + cfg.Safety + "; " + m.Source.String()}, ""
}
