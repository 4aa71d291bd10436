package intake

import (
	"fmt"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// Identity states of a balance, as records carry them.
const (
	confirmed   = "confirmed"
	unconfirmed = "unconfirmed"
)

// identity is what is known of which balance is at the other end of the cable. After a lost port it is unconfirmed,
// until the balance prints its own name. A balance that prints another name is not recorded under this one.
type identity struct {
	name  string // what this balance prints of itself, or "" where that is not known
	state string
	wrong string // the foreign name that was printed last, or ""
}

func newIdentity(cfg Config) identity {
	id := identity{name: cfg.PrintsAs, state: confirmed}
	if id.name == "" {
		id.name = cfg.Serial
	}
	return id
}

// see takes the name that a frame carries, or "". Where the frame comes from another balance, the error says so. A frame
// without a name comes from whoever gave a name last.
func (id *identity) see(printed string) error {
	switch {
	case id.name == "" || printed == "" && id.wrong == "":
		return nil
	case printed == id.name:
		id.state, id.wrong = confirmed, ""
		return nil
	case printed != "":
		id.state, id.wrong = unconfirmed, printed
	}
	return fmt.Errorf("the balance calls itself %q, and %q is expected", id.wrong, id.name)
}

// lost says that the port was lost: somebody may have plugged in another balance.
func (id *identity) lost() { id.state, id.wrong = unconfirmed, "" }

// rename says that another name is expected from now on, and whether that settles a foreign name that was printed.
func (id *identity) rename(name string) (settles bool) {
	id.name = name
	if settles = id.wrong != "" && (name == "" || name == id.wrong); settles {
		id.wrong = ""
		if name != "" {
			id.state = confirmed
		}
	}
	return settles
}

// confirmBy takes the label that a request carries, if any: done is nil where it carries none. A request with the label of
// another balance is refused with all that it names.
func (in *Intake) confirmBy(r *record.ContextRequest) (done *awaited, err error) {
	if r.Label == "" {
		return nil, nil
	}
	done, why := in.confirm(r.Label, r)
	if why != "" {
		return nil, in.refuseContext(r, nil, why, false)
	}
	return done, nil
}

// confirm takes the balance's own label, scanned or read off: it says which balance is connected, which nobody knows after a
// lost port. done is its entry; why says why it does not confirm, or "".
func (in *Intake) confirm(label string, r *record.ContextRequest) (done *awaited, why string) {
	switch {
	case label == "" || label != in.cfg.ID && label != in.cfg.Serial && label != in.identity.name:
		return nil, fmt.Sprintf("It is the label of another balance: this one is %s.", in.cfg.ID)
	case in.identity.wrong != "":
		return nil, fmt.Sprintf("The balance itself prints that it is %q.", in.identity.wrong)
	}
	if why := in.unfit(r, map[string]*record.ContextItem{record.ItemRun: {}}); why != "" {
		return nil, why
	}
	how := "The label of the balance was scanned"
	if r.By != record.ByScanned {
		how = fmt.Sprintf("Somebody read %q off the balance", label)
	}
	in.identity.state = confirmed
	in.tellIdentity()
	e := in.changeEntry(r, "confirmed", how+": its identity is confirmed.")
	in.board.Clear(contextRefused, in.cfg.ID)
	done = in.await(e)
	in.put(e, e.Stamp)
	return done, ""
}

// tellIdentity raises or clears the condition that nobody knows which balance is connected, where that matters.
func (in *Intake) tellIdentity() {
	if in.identity.state == confirmed || in.identity.wrong != "" || !in.cfg.IdentityNeeded {
		in.board.Clear(health.IdentityUnconfirmed, in.cfg.ID)
		return
	}
	in.board.Raise(health.Condition{Code: health.IdentityUnconfirmed, Subject: in.cfg.ID, Severity: health.Warning,
		Sentence: fmt.Sprintf("Which balance is connected in place of %s has not been confirmed since its port was lost. Its weighings say so.", in.cfg.ID),
		Remedy:   "Compare the balance's plate, and scan its label or confirm what stands on it."})
}

// needIdentity adds the verdict that the configuration asks for.
func (in *Intake) needIdentity(w *record.Weighing) {
	if !in.cfg.IdentityNeeded {
		return
	}
	v := record.Verdict{Rule: "identity-confirmed", Pass: in.identity.state == confirmed}
	if !v.Pass {
		v.Why = "which balance is connected was not confirmed after its port was lost"
	}
	w.Verdicts = append(w.Verdicts, v)
}
