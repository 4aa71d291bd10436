package report

import (
	"fmt"
	"slices"

	"weighpost/gateway/record"
)

// Sample is what is known of one sample: everything that was weighed for it, and the runs that it was in.
type Sample struct {
	Told
	ID string

	sorted
}

// NewSample reads a sample's entries. The error is a sentence.
func NewSample(s Sample) (*Sample, error) {
	found, err := sortOut(s.Entries)
	s.sorted = found
	return &s, err
}

func (r *Sample) told() *Told                 { return &r.Told }
func (r *Sample) about() (kind, about string) { return OfSample, r.ID }
func (r *Sample) top() head                   { return head{title: "Sample " + r.ID} }

func (r *Sample) closing() []string {
	return []string{"It tells of what this site recorded of the sample. weighpost records, checks and shows: local rules and qualified people decide what a result may be used for."}
}

func (r *Sample) block(name string) []Section {
	switch name {
	case BlockFacts:
		t, out := r.weighingTable(r.fate)
		return []Section{{Name: "Sample", Facts: []Fact{{"Sample", r.ID}, {"Weighings", fmt.Sprintf("%d, of which %d do not count", len(t.Rows), out)}, {"Runs that ended", fmt.Sprint(len(r.ended))}}}}
	case BlockWeighings:
		return []Section{weighingsOf(r.weighingTable(r.fate))}
	case BlockCalculations:
		return r.runSections(r.ID)
	case BlockExcluded:
		return r.excludedHere("Every weighing of the sample counts as far as is known.", r.ownChanges())
	case BlockStatistics:
		return statisticsOf(r.results())
	case BlockChart:
		return chartsOf(r.results())
	case BlockSignatures:
		return []Section{r.signatures(r.runState, nil, true)}
	}
	return nil
}

// ownChanges are those that are about the sample. A run may be of several, and whoever gets this report has nothing to do with the others.
func (r *Sample) ownChanges() []*record.RunCorrected {
	return slices.DeleteFunc(slices.Clone(r.corrected), func(c *record.RunCorrected) bool { return !r.isOwn(c) })
}

func (r *Sample) isOwn(c *record.RunCorrected) bool {
	switch {
	case c.Before == r.ID || c.After == r.ID:
		return true
	case len(c.Steps) > 0: // of a weighing, or a slip, that steps used
		return slices.ContainsFunc(r.weighings, func(w weighed) bool { return w.ID == c.Of.ID })
	}
	for _, e := range r.ended { // of what the run began with, or a step of it: of which of its things only the words say
		if e.Run.ID == c.Run.ID {
			own := slices.DeleteFunc(slices.Clone(e.Items), func(i record.RunItem) bool { return i.Sample != r.ID })
			return len(own) == len(e.Items) || slices.ContainsFunc(own, func(i record.RunItem) bool {
				return slices.Contains([]string{i.Lot, i.Container}, c.Before) || slices.Contains([]string{i.Lot, i.Container}, c.After)
			})
		}
	}
	return false
}

// results are those of the sample that several runs of one procedure found, as they stand. A run that was abandoned or replaced has none.
func (r *Sample) results() (list []series) {
	at := map[string]int{}
	for _, e := range r.ended {
		state := r.runState(e.Run.ID)
		results, _, _ := r.now(e)
		for i := range results {
			one := &results[i]
			x, ok := ratOf(one.Digits)
			if !ok || one.Item != nil && one.Item.Sample != r.ID || one.Item == nil && len(e.Items) != 1 {
				continue
			}
			key := e.Run.Procedure.Name + "\x00" + one.Name + "\x00" + one.Unit
			n, there := at[key]
			if !there {
				n = len(list)
				at[key] = n
				list = append(list, series{name: e.Run.Procedure.Name + ": " + labelOf(one), unit: one.Unit})
			}
			list[n].values = append(list[n].values, valued{one.Digits, x, e.State == record.RunAbandoned || state == record.RunReplaced})
		}
	}
	return enough(list)
}

func labelOf(r *record.RunResult) string {
	if r.Label != "" {
		return r.Label
	}
	return r.Name
}
