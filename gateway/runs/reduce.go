package runs

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/follow"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// mostEnded is how many runs that have ended are known by heart. Older ones are found in the journal.
const mostEnded = 2000

// openRun is a run that is open. Everything of it moves in reduce alone.
type openRun struct {
	begun   *record.RunBegun
	steps   []*record.RunStep
	due     []*record.Weighing // of the run, which no step names yet, in the order of the journal
	run     *procedure.Run     // nil: this weighpost cannot read its procedure, for the reason in faulty
	faulty  error
	by      record.Actor // who performs it
	balance *record.Balance
	away    bool // it is at no balance: it was put aside, or never at one
}

// Ended is a run that has ended, in few words. The journal has it whole.
type Ended struct {
	record.RunRef
	Entry   record.EntryRef    `json:"entry"` // of its end
	Begun   record.EntryRef    `json:"begun"`
	State   string             `json:"state"`
	Title   string             `json:"title"`
	BegunAt record.UTC         `json:"begun_at"`
	At      record.UTC         `json:"at"`
	By      record.Actor       `json:"by"`
	Balance string             `json:"balance,omitempty"`
	Items   []record.RunItem   `json:"items"`
	Request *record.RequestRef `json:"request,omitempty"`
	Verdict string             `json:"verdict,omitempty"`
	LeftOut int                `json:"left_out,omitempty"` // of the items
	People  []string           `json:"people"`
}

// stray is a weighing that carried the id of a run which had ended by then.
type stray struct {
	Weighing record.EntryRef `json:"weighing"`
	Balance  record.Balance  `json:"balance"`
	Run      record.RunRef   `json:"run"`
}

// reduce takes one entry. The view is locked.
func (r *Room) reduce(e record.Entry) error {
	switch e.Kind {
	case record.KindWeighing, record.KindResult:
		if record.OfNoRun(e) {
			return nil
		}
		return into(r, e, r.weighed)
	case record.KindProcedureChanged:
		return into(r, e, r.procedureChanged)
	case record.KindRunBegun:
		return into(r, e, r.runBegun)
	case record.KindRunStep:
		return into(r, e, r.runStep)
	case record.KindRunEnded:
		return into(r, e, r.runEnded)
	case record.KindRunCorrected:
		return into(r, e, r.emptyCorrected)
	case record.KindRequestChanged:
		return into(r, e, r.requestChanged)
	case record.KindContainerChanged:
		return into(r, e, r.containerChanged)
	case record.KindLateEntered:
		return into(r, e, r.lateEntered)
	case record.KindLateDecided:
		return into(r, e, r.lateDecided)
	}
	return nil
}

// into hands an entry on as what its kind is, and has whoever tends to the runs look once it is known.
func into[T any](r *Room, e record.Entry, take func(*T) error) error {
	r.look()
	return follow.Into(r.view, e, take)
}

func refOf(h record.Head) record.EntryRef { return record.EntryRef{Seq: h.Seq, ID: h.ID} }

// weighed takes a weighing, or a result, that carries a run: it is due until a step names it.
func (r *Room) weighed(w *record.Weighing) error {
	if w.Context.Run == nil {
		return nil
	}
	id := w.Context.Run.ID
	if o := r.open[id]; o != nil {
		o.due = append(o.due, w)
	} else if e := r.endedBy[id]; e != nil {
		r.strays = append(r.strays, stray{refOf(w.Head), w.Balance, e.RunRef})
	}
	return nil // of a run that nobody knows: somebody set it by hand
}

func (r *Room) runBegun(b *record.RunBegun) error {
	if r.open[b.Run.ID] != nil || r.endedBy[b.Run.ID] != nil {
		return fmt.Errorf("the run %s began before", b.Run.ID)
	}
	if n, ours := r.numberOf(b.Run.ID); ours {
		r.number = max(r.number, n)
	}
	r.open[b.Run.ID] = r.reopen(b)
	if why := r.open[b.Run.ID].faulty; why != nil {
		r.o.Log.Error("a run that is open cannot go on, and can only be abandoned", "run", b.Run.ID, "err", why)
	}
	return nil
}

// reopen makes an open run of its beginning.
func (r *Room) reopen(b *record.RunBegun) *openRun {
	o := &openRun{begun: b, by: b.By, balance: b.Balance, away: b.Balance == nil}
	var v *Version
	if f := r.procedures[b.Run.Procedure.Name]; f != nil {
		v = f.version(b.Run.Procedure.Version)
	}
	if v == nil || v.Hash != b.Run.Procedure.Hash {
		o.faulty = fmt.Errorf("version %d of the procedure %s, by which the run %s goes, is not known", b.Run.Procedure.Version, b.Run.Procedure.Name, b.Run.ID)
		return o
	}
	def, err := v.definition()
	if err == nil {
		o.run, err = procedure.Open(def, b)
	}
	o.faulty = err
	return o
}

// numberOf reads the number out of the id of a run, and says whether it is of this incarnation.
func (r *Room) numberOf(id string) (n uint64, ours bool) {
	digits, ours := strings.CutPrefix(id, "r-"+r.o.Incarnation+"-")
	n, err := strconv.ParseUint(digits, 10, 64)
	return n, ours && err == nil
}

func (r *Room) runStep(s *record.RunStep) error {
	if s.Weighing != nil {
		r.strays = slices.DeleteFunc(r.strays, func(one stray) bool { return one.Weighing.ID == s.Weighing.ID })
	}
	r.containerUsed(s)
	r.slipUsed(s)
	o := r.open[s.Run.ID]
	if o == nil {
		if r.endedBy[s.Run.ID] == nil {
			return fmt.Errorf("no run %s is open", s.Run.ID)
		}
		return nil // of a weighing that came after the end
	}
	o.apply(s)
	return nil
}

// apply moves a run on.
func (o *openRun) apply(s *record.RunStep) {
	o.steps = append(o.steps, s)
	if s.Weighing != nil {
		o.due = slices.DeleteFunc(o.due, func(w *record.Weighing) bool { return w.ID == s.Weighing.ID })
	}
	switch s.Became {
	case record.RunMoved:
		o.balance, o.away = s.Balance, false
	case record.RunPutAside:
		o.away = true
	case record.RunHandedOver:
		o.by = s.By
	}
	if o.run != nil {
		o.run.Apply(s)
	}
}

func (r *Room) runEnded(e *record.RunEnded) error {
	o := r.open[e.Run.ID]
	if o == nil {
		return fmt.Errorf("no run %s is open", e.Run.ID)
	}
	delete(r.open, e.Run.ID)
	one := &Ended{RunRef: e.Run, Entry: refOf(e.Head), Begun: e.Begun, State: e.State, Title: r.titleOf(e.Run.Procedure), BegunAt: o.begun.Stamp.UTC, At: e.Stamp.UTC,
		By: o.by, Balance: e.Subject(), Items: e.Items, Request: e.Request, Verdict: e.Verdict, LeftOut: len(e.LeftOut), People: e.People}
	r.ended, r.endedBy[e.Run.ID] = append(r.ended, one), one
	for _, w := range o.due { // they came while the end was on its way to the journal
		r.strays = append(r.strays, stray{refOf(w.Head), w.Balance, e.Run})
	}
	if len(r.ended) > mostEnded {
		delete(r.endedBy, r.ended[0].ID)
		r.ended = slices.Delete(r.ended, 0, 1)
	}
	return nil
}

// titleOf is what a version of a procedure is for, in a few words.
func (r *Room) titleOf(ref record.ProcedureRef) string {
	if f := r.procedures[ref.Name]; f != nil && f.version(ref.Version) != nil {
		return f.version(ref.Version).Title
	}
	return ref.Name
}
