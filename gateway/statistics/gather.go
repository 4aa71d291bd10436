package statistics

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"weighpost/gateway/record"
)

// What results are grouped by, beside procedure, result and unit.
const (
	ByNothing = ""
	BySample  = "sample"
	ByLot     = "lot"
	ByBalance = "balance"
	ByDay     = "day" // of the end of the run, at its place
	ByMonth   = "month"
	ByYear    = "year"
)

// Wanted says which results are wanted. What is empty is not asked for.
type Wanted struct {
	Procedure string
	Version   int
	Result    string // name
	Sample    string
	Lot       string
	Balance   string
	From, To  time.Time // the run ended at or after From, and before To
	Approved  bool      // of runs that are approved alone
	By        string    // one of the words above
}

// Run is one run that has ended, as it stands.
type Run struct {
	ID        string
	Procedure record.ProcedureRef
	Ended     record.Stamp
	Balances  []string
	Items     []record.RunItem
	State     string
	closed    string // the state before it was archived
	Results   []record.RunResult
	Excluded  int // weighings that are not used
}

// standing is the state that counts: an archived run is what it was before.
func (r *Run) standing() string {
	if r.State == record.RunArchived {
		return r.closed
	}
	return r.State
}

// MostRuns is how many runs are held at once.
const MostRuns = 50_000

// TooMany says that more runs are asked for than are held at once.
type TooMany struct{}

func (TooMany) Error() string {
	return fmt.Sprintf("more than %d runs are asked for: ask for a shorter time, or for one procedure", MostRuns)
}

// Gather takes entries in the order of the journal and keeps the runs that are wanted.
type Gather struct {
	wants Wanted
	most  int // runs that are held
	runs  map[string]*Run
	order []string
}

// New begins.
func New(w Wanted) *Gather { return &Gather{wants: w, most: MostRuns, runs: map[string]*Run{}} }

// Add takes an entry: those of the kinds run-ended, run-corrected and run-reviewed, and no others, say anything. All of the first kind may
// come before all of the others.
func (g *Gather) Add(e record.Entry) error {
	var err error
	switch e.Kind {
	case record.KindRunEnded:
		var b record.RunEnded
		if err = json.Unmarshal(e.JSON, &b); err == nil {
			return g.ended(&b)
		}
	case record.KindRunCorrected:
		var b record.RunCorrected
		if err = json.Unmarshal(e.JSON, &b); err == nil {
			g.corrected(&b)
		}
	case record.KindRunReviewed:
		var b record.RunReview
		if err = json.Unmarshal(e.JSON, &b); err == nil {
			g.reviewed(&b)
		}
	}
	if err != nil {
		return fmt.Errorf("entry %d cannot be read: %w. Run: weighpost journal verify", e.Seq, err)
	}
	return nil
}

func (g *Gather) ended(b *record.RunEnded) error {
	at, w := b.Stamp.UTC.Time(), &g.wants
	out := w.Procedure != "" && b.Run.Procedure.Name != w.Procedure || w.Version > 0 && b.Run.Procedure.Version != w.Version ||
		!w.From.IsZero() && at.Before(w.From) || !w.To.IsZero() && !at.Before(w.To) ||
		w.Balance != "" && !slices.Equal(b.Balances, []string{w.Balance}) ||
		w.Sample != "" && !slices.ContainsFunc(b.Items, func(i record.RunItem) bool { return i.Sample == w.Sample }) ||
		w.Lot != "" && !slices.ContainsFunc(b.Items, func(i record.RunItem) bool { return i.Lot == w.Lot })
	if out {
		return nil
	}
	if len(g.runs) == g.most {
		return TooMany{}
	}
	if g.runs[b.Run.ID] == nil {
		g.order = append(g.order, b.Run.ID)
	}
	g.runs[b.Run.ID] = &Run{ID: b.Run.ID, Procedure: b.Run.Procedure, Ended: b.Stamp, Balances: b.Balances, Items: b.Items, State: b.State, Results: b.Results}
	return nil
}

func (g *Gather) corrected(b *record.RunCorrected) {
	if r := g.runs[b.Run.ID]; r != nil {
		r.Results, r.Excluded = b.Results, len(b.Excluded)
		r.become(b.To)
	}
}

func (g *Gather) reviewed(b *record.RunReview) {
	if r := g.runs[b.Run.ID]; r != nil {
		r.become(b.To)
	}
}

func (r *Run) become(state string) {
	switch {
	case state == "":
		return
	case state == record.RunArchived && r.State != record.RunArchived:
		r.closed = r.State
	}
	r.State = state
}
