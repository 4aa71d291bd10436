package fitness

import (
	"maps"
	"slices"
	"time"

	"weighpost/gateway/record"
)

// Of gives the fitness of a balance as its records say it.
func (r *Room) Of(balance string) (now record.Fitness) {
	b, _ := r.configured(balance)
	r.view.Lock()
	defer r.view.Unlock()
	f := r.files[balance]
	if f == nil {
		return record.Fitness{State: record.FitnessUnknown}
	}
	by := shown{n: len(b.Config.Checks)}
	if by.n > 0 {
		by.first = &b.Config.Checks[0]
	}
	last, ok := r.shown[balance]
	if !ok || last.n != by.n || last.first != by.first {
		by.fitness = r.shows(f, b.Config.Checks)
		last, r.shown[balance] = by, by
	}
	return last.fitness
}

// shown is the fitness of a balance as it was worked out last: it is asked for with every line of every balance. No moment is in it, only
// what entries say and what is to be checked: reduce forgets it, and another schedule is another list.
type shown struct {
	n       int
	first   *Scheduled // nil: none
	fitness record.Fitness
}

// shows works out the fitness of a balance that is to be checked so. The view is locked.
func (r *Room) shows(f *file, checks []Scheduled) (now record.Fitness) {
	now.State = f.State
	if n := len(f.Checks); n > 0 {
		last := f.Checks[n-1]
		now.LastCheck = last.ID
	}
	var next time.Time
	for _, s := range checks {
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
	r.view.Lock()
	defer r.view.Unlock()
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
	r.view.Lock()
	defer r.view.Unlock()
	if f := r.files[balance]; f != nil {
		if one := f.failure(check); one != nil {
			return one.copy(), true
		}
	}
	return Failure{}, false
}

// Doubts gives the ids of failed checks of a balance that throw doubt on one of its weighings, by sequence, of which nobody has judged it yet.
func (r *Room) Doubts(balance string, seq uint64) (checks []string) {
	r.view.Lock()
	defer r.view.Unlock()
	f := r.files[balance]
	if f == nil {
		return nil
	}
	for _, one := range f.Failures {
		if seq > one.After && seq < one.Before && !one.Closed && one.Judged[seq] == "" {
			checks = append(checks, one.Check)
		}
	}
	return checks
}
