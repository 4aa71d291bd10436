package fitness

import (
	"maps"
	"math/big"
	"slices"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// Of gives the fitness of a balance as its records say it.
func (r *Room) Of(balance string) (now record.Fitness) {
	b, _ := r.configured(balance)
	r.mu.Lock()
	defer r.mu.Unlock()
	f := r.files[balance]
	if f == nil {
		return record.Fitness{State: record.FitnessUnknown}
	}
	now.State = f.State
	if n := len(f.Checks); n > 0 {
		last := f.Checks[n-1]
		now.LastCheck = last.ID
	}
	var next time.Time
	for _, s := range b.Config.Checks {
		if d := f.due(s, r.began, r.o.Zone); !d.At.IsZero() && (next.IsZero() || d.At.Before(next)) {
			next = d.At
		}
	}
	if !next.IsZero() {
		now.Due = next.UTC().Format(time.RFC3339)
	}
	return now
}

// File is what is known of one balance, for those who show it. It is the caller's own, but for what entries say.
type File struct {
	Fitness    record.Fitness
	Since      record.UTC
	Cause      string
	Reason     string
	Schedule   []Due
	Checks     []*record.CheckEnded // oldest first, at most 500
	Upkeep     []*record.Upkeep     // oldest first, at most 200
	Failures   []Failure
	Phase      time.Time // the present phase of its charts began; zero: with the first check
	Minimum    *record.MinimumWeight
	NoMinimum  string // why none is known, although one is configured
	Calibrated *record.Upkeep
}

// File gives what is known of a balance.
func (r *Room) File(balance string) (file File, ok bool) {
	b, ok := r.configured(balance)
	if !ok {
		return file, false
	}
	file.Fitness = r.Of(balance)
	file.Minimum, file.NoMinimum = r.Minimum(balance)
	r.mu.Lock()
	defer r.mu.Unlock()
	f := r.file(balance)
	file.Since, file.Cause, file.Reason, file.Phase, file.Calibrated = f.Since, f.Cause, f.Reason, f.phase(), f.Calibrated
	file.Checks, file.Upkeep = slices.Clone(f.Checks), slices.Clone(f.Upkeep)
	for _, s := range b.Config.Checks {
		file.Schedule = append(file.Schedule, f.due(s, r.began, r.o.Zone))
	}
	for _, one := range f.Failures {
		file.Failures = append(file.Failures, one.copy())
	}
	return file, true
}

func (f *Failure) copy() Failure {
	c := *f
	c.Judged = maps.Clone(f.Judged)
	return c
}

// Failure gives a failed check of a balance.
func (r *Room) Failure(balance, check string) (Failure, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if f := r.files[balance]; f != nil {
		if one := f.failure(check); one != nil {
			return one.copy(), true
		}
	}
	return Failure{}, false
}

// Minimum gives the minimum weight in force of a balance: the greatest of those that its configuration asks for. Where one of them is not
// known yet, there is none, and why says what is missing: a limit that might be too low is worse than none.
func (r *Room) Minimum(balance string) (m *record.MinimumWeight, why string) {
	b, ok := r.configured(balance)
	if !ok {
		return nil, ""
	}
	r.mu.Lock()
	f := r.file(balance)
	measured, calibrated := f.Measured, f.Calibrated
	r.mu.Unlock()
	var list []*record.MinimumWeight
	cfg := b.Config.Minimum
	if cfg.Mass != "" {
		list = append(list, &record.MinimumWeight{Mass: record.Mass(cfg.Mass), Source: "set by the lab"})
	}
	if cfg.USP41 {
		if measured == nil {
			return nil, "no repeatability check with ten weighings or more has passed yet"
		}
		list = append(list, measured)
	}
	if cfg.CG18 != nil {
		one, why := byCertificate(calibrated, cfg.CG18)
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
	beta, ok := number(u.Calibration.Beta)
	req, ok2 := number(cfg.Required)
	sf, ok3 := number(cfg.Safety)
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
