package fitness

import (
	"encoding/json"
	"slices"
	"time"

	"weighpost/gateway/record"
)

// What is kept in memory of each balance; older ones are in the journal, which has everything.
const (
	mostChecks  = 500
	fewChecks   = 100    // of each, where balances are many:
	checksInAll = 48_000 // of all of them
	mostUpkeep  = 200
	mostFailure = 50
)

// file is what is known of one balance. It is what snapshots hold, so its fields are exported to JSON.
type file struct {
	State      string                     `json:"state"`
	Since      record.UTC                 `json:"since"`
	Cause      string                     `json:"cause,omitempty"`
	Reason     string                     `json:"reason,omitempty"`
	Failed     map[string]string          `json:"failed,omitempty"`    // by definition: the id of the check that failed and has not passed since
	TakenOut   string                     `json:"taken_out,omitempty"` // the reason of the person who took it out of service
	Passed     map[string]record.UTC      `json:"passed,omitempty"`    // by definition
	Good       map[string]record.EntryRef `json:"good,omitempty"`      // by definition: the entry of the last check that passed
	Acts       map[string]record.UTC      `json:"acts,omitempty"`      // by record.Upkeep.Act
	ActSeqs    map[string]uint64          `json:"act_seqs,omitempty"`  // likewise, the entry: it tells what came after what, whatever clocks said
	ActLeft    map[string]string          `json:"act_left,omitempty"`  // likewise, the definition that passed after it, as left: that check is not due again for it
	Reminded   map[string]record.UTC      `json:"reminded,omitempty"`  // by definition and word: the time that it was due
	Number     int                        `json:"number"`              // of checks begun
	Running    *running                   `json:"running,omitempty"`
	Checks     []*record.CheckEnded       `json:"checks,omitempty"`
	Upkeep     []*record.Upkeep           `json:"upkeep,omitempty"`
	Failures   []*Failure                 `json:"failures,omitempty"`
	Measured   *record.MinimumWeight      `json:"measured,omitempty"`   // of the last repeatability check
	Calibrated *record.Upkeep             `json:"calibrated,omitempty"` // the last calibration with a certificate
}

// running is a check that was begun and has not ended.
type running struct {
	Begun *record.CheckBegun  `json:"begun"`
	Steps []*record.CheckStep `json:"steps"`
}

// Failure is a check that failed, with what it throws doubt on.
type Failure struct {
	Check      string     `json:"check"`
	Definition string     `json:"definition"`
	Ended      record.UTC `json:"ended"`
	// After and Before are the sequences between which weighings are in doubt: after the last good check of the definition, or 0, and
	// before this one had ended: what was printed while it was under way, and it did not take, is in doubt as well.
	After  uint64 `json:"after"`
	Before uint64 `json:"before"`
	// Settled: what comes after Before was weighed when the failure was known. Until then weighings may come into the journal that
	// were printed before, and waited for it.
	Settled bool              `json:"settled"`
	Judged  map[uint64]string `json:"judged,omitempty"` // by sequence of the weighing: the effect
	Closed  bool              `json:"closed"`
}

// Affected is how many weighings were judged to be affected.
func (f *Failure) Affected() (n int) {
	for _, effect := range f.Judged {
		if effect == record.EffectAffected {
			n++
		}
	}
	return n
}

func (r *Room) file(balance string) *file {
	f := r.files[balance]
	if f == nil {
		f = &file{State: record.FitnessUnknown}
		r.files[balance] = f
	}
	return f
}

// reduce takes one entry.
func (r *Room) reduce(e record.Entry) error {
	switch e.Kind {
	case record.KindWeighing, record.KindResult:
		return r.weighed(e)
	case record.KindWeightChanged, record.KindCheckBegun, record.KindCheckStep, record.KindCheckEnded, record.KindFitnessChanged,
		record.KindCheckReminder, record.KindUpkeep, record.KindAffectedJudged, record.KindFailureClosed:
	default:
		return nil
	}
	body := record.NewBody(e.Kind)
	if err := json.Unmarshal(e.JSON, body); err != nil {
		return err
	}
	r.view.Changed()
	clear(r.shown)
	switch b := body.(type) {
	case *record.WeightEntry:
		r.weights[b.Weight.ID] = &KnownWeight{ReferenceWeight: b.Weight, Since: b.Stamp.UTC, By: b.By, Entry: e.ID, Seq: e.Seq}
	case *record.CheckBegun:
		f := r.file(b.Balance.ID)
		f.Number++
		f.settle()
		f.Running = &running{Begun: b}
	case *record.CheckStep:
		if f := r.file(b.Balance.ID); f.Running != nil && f.Running.Begun.Check.ID == b.Check.ID {
			f.Running.Steps = append(f.Running.Steps, b)
		}
	case *record.CheckEnded:
		r.file(b.Balance.ID).ended(b, record.EntryRef{Seq: e.Seq, ID: e.ID}, max(fewChecks, min(mostChecks, checksInAll/len(r.files))))
	case *record.FitnessChanged:
		r.file(b.Balance.ID).changed(b, e.Seq)
	case *record.CheckReminder:
		f := r.file(b.Balance.ID)
		set(&f.Reminded, b.Definition+" "+wordOf(b.Overdue), b.Due)
	case *record.Upkeep:
		r.file(b.Balance.ID).upkeep(b, e.Seq)
	case *record.AffectedJudged:
		if one := r.file(b.Balance.ID).failure(b.Check); one != nil {
			for _, w := range b.Weighings {
				set(&one.Judged, w.Seq, b.Effect)
			}
		}
	case *record.FailureClosed:
		if one := r.file(b.Balance.ID).failure(b.Check); one != nil {
			one.Closed = true
		}
	}
	return nil
}

// weighed takes a weighing. It matters where the last check of its balance has just failed: what does not say that the balance is out of
// service was printed before that was known, and is in doubt too, although it came into the journal after it.
func (r *Room) weighed(e record.Entry) error {
	f := r.files[e.Balance]
	if f == nil || len(f.Failures) == 0 || f.Failures[len(f.Failures)-1].Settled {
		return nil
	}
	var w struct {
		Fitness record.Fitness `json:"fitness"`
	}
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		return err
	}
	r.view.Changed()
	one := f.Failures[len(f.Failures)-1]
	if w.Fitness.State == record.OutOfService {
		one.Settled = true
		return nil
	}
	one.Before, one.Closed = e.Seq+1, false
	return nil
}

// settle notes that what is weighed from here on has nothing to do with the last check that failed.
func (f *file) settle() {
	if n := len(f.Failures); n > 0 {
		f.Failures[n-1].Settled = true
	}
}

func wordOf(overdue bool) string {
	if overdue {
		return "overdue"
	}
	return "due"
}

func set[K comparable, V any](m *map[K]V, key K, value V) {
	if *m == nil {
		*m = map[K]V{}
	}
	(*m)[key] = value
}

// keep adds to a list, and lets go of the oldest beyond so many.
func keep[T any](list []T, one T, most int) []T {
	list = append(list, one)
	return list[max(0, len(list)-most):]
}

func (f *file) failure(check string) *Failure {
	i := slices.IndexFunc(f.Failures, func(one *Failure) bool { return one.Check == check })
	if i < 0 {
		return nil
	}
	return f.Failures[i]
}

// ended takes the end of a check. A failure stands until a check of the same definition passes, or a person puts the balance back; what it
// throws doubt on is from after the last check of that definition that passed.
func (f *file) ended(e *record.CheckEnded, at record.EntryRef, most int) {
	f.Running = nil
	f.Checks = keep(f.Checks, e, most)
	name := e.Check.Definition
	switch {
	case passing(e.Outcome):
		delete(f.Failed, name)
		set(&f.Passed, name, e.Stamp.UTC)
		set(&f.Good, name, at)
		if e.MinimumWeight != nil {
			m := *e.MinimumWeight
			m.Entry = at.ID
			f.Measured = &m
		}
	case e.Outcome == record.CheckFailed:
		set(&f.Failed, name, e.Check.ID)
		// A person may put the balance back: what it was found to need then holds, where it is more than before.
		if m := e.MinimumWeight; m != nil && f.Measured != nil && greater(m.Mass, f.Measured.Mass) {
			now := *m
			now.Entry = at.ID
			f.Measured = &now
		}
		one := &Failure{Check: e.Check.ID, Definition: name, Ended: e.Stamp.UTC, After: f.Good[name].Seq, Before: at.Seq}
		f.Failures = keepOpen(append(f.Failures, one))
	}
}

// keepOpen lets go of the oldest failures that are closed, never of one that is open.
func keepOpen(list []*Failure) []*Failure {
	for i := 0; i < len(list) && len(list) > mostFailure; {
		if list[i].Closed {
			list = slices.Delete(list, i, i+1)
		} else {
			i++
		}
	}
	return list
}

// changed takes a change of state. A person who puts a balance back in service answers for what failed before.
func (f *file) changed(e *record.FitnessChanged, seq uint64) {
	if e.State != record.OutOfService {
		f.settle()
	}
	f.State, f.Since, f.Cause, f.Reason = e.State, e.Stamp.UTC, e.Cause, e.Reason
	if one := f.failure(e.Check); one != nil && e.State == record.OutOfService && e.Was == record.InCheck {
		one.Before = max(one.Before, seq)
	}
	if e.Cause != record.ByPerson {
		return
	}
	if e.State == record.OutOfService {
		f.TakenOut = e.Reason
	} else {
		f.TakenOut, f.Failed = "", nil
	}
}

func (f *file) upkeep(u *record.Upkeep, seq uint64) {
	f.Upkeep = keep(f.Upkeep, u, mostUpkeep)
	set(&f.Acts, u.Act, u.Stamp.UTC)
	set(&f.ActSeqs, u.Act, seq)
	left := ""
	if found, after := f.check(u.AsFound), f.check(u.AsLeft); found != nil && after != nil && passing(after.Outcome) {
		left = after.Check.Definition // it was begun after the one as found had ended, or it had not been taken
	}
	set(&f.ActLeft, u.Act, left)
	if u.Act == record.Calibrated && u.Calibration != nil {
		f.Calibrated = u
	}
}

// phase is when the present phase of the balance's charts began: after the last adjustment, move, repair or calibration, and not after mere
// maintenance.
func (f *file) phase() time.Time {
	for _, u := range slices.Backward(f.Upkeep) {
		if u.Act != record.Serviced {
			return u.Stamp.UTC.Time()
		}
	}
	return time.Time{}
}
