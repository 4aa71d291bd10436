package record

import (
	"errors"
	"time"
)

// ErrNoProcedure says that no procedure of a name, or no such version of it, is known.
var ErrNoProcedure = errors.New("no such procedure is known")

// ProcedureRef names one version of a procedure.
type ProcedureRef struct {
	Name    string `json:"name"`
	Version int    `json:"version"` // from 1
	Hash    string `json:"hash"`    // sha256: of its text, exactly as it was written
}

// What becomes of a version of a procedure.
const (
	ProcedureWritten    = "written"     // it waits for whoever adopts it
	ProcedureAdopted    = "adopted"     // runs begin with it from here on, and no more with the version before
	ProcedureTurnedDown = "turned down" // it is never adopted
	ProcedureWithdrawn  = "withdrawn"   // no run begins with it any more; those that are open go on
)

// ProcedureChanged says that a version of a procedure was written, adopted, turned down or withdrawn.
type ProcedureChanged struct {
	Head
	Procedure ProcedureRef `json:"procedure"`
	Change    string       `json:"change"`           // written, adopted, turned down, withdrawn
	Title     string       `json:"title,omitempty"`  // as the version has it
	Source    string       `json:"source,omitempty"` // the text of the version exactly as it was sent, in YAML; where it was written
	Reason    string       `json:"reason,omitempty"`
	By        Actor        `json:"by"`
	Stamp     Stamp        `json:"stamp"`
}

func (p *ProcedureChanged) Kind() Kind      { return KindProcedureChanged }
func (p *ProcedureChanged) Subject() string { return "" }
func (p *ProcedureChanged) Time() time.Time { return p.Stamp.UTC.Time() }
