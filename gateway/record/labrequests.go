package record

import (
	"errors"
	"time"
)

// ErrNoRequest says that no request of an id is known.
var ErrNoRequest = errors.New("no request of that id is known")

// RequestRef names a request by the ids of whoever sent it.
type RequestRef struct {
	From string `json:"from"` // the sender: the id of its key, of the broker, or of the folder
	ID   string `json:"id"`   // the sender's own
}

// LabRequest is what a lab system asks for: these samples, by this procedure, on this balance or any fit one. Its words map onto those
// of OPC UA LADS, StartProgram: Job and Task are SupervisoryJobId and SupervisoryTaskId, Procedure is ProgramTemplateId, Parameters are
// Properties, and each item is one of Samples (ContainerId, SampleId, Position, CustomData); the id of the run is DeviceProgramRunId.
type LabRequest struct {
	RequestRef
	Procedure  string            `json:"procedure"`
	Version    int               `json:"version,omitempty"` // 0: the one that is adopted when it begins
	Items      []RunItem         `json:"items"`
	Parameters map[string]string `json:"parameters,omitempty"`
	Balance    string            `json:"balance,omitempty"` // absent: any fit one
	Priority   int               `json:"priority"`          // 1, first, to 9; 5 where the sender says nothing
	Due        *UTC              `json:"due,omitempty"`
	Job        string            `json:"job,omitempty"`    // the sender's own, given back as it is
	Task       string            `json:"task,omitempty"`   // likewise
	Fields     map[string]string `json:"fields,omitempty"` // likewise
}

// The states of a request.
const (
	RequestWaiting   = "waiting"
	RequestBegun     = "begun" // a run answers it
	RequestComplete  = "complete"
	RequestAbandoned = "abandoned" // its run was abandoned: it waits no more, and can be sent again under another id
	RequestCancelled = "cancelled"
)

// A request that is complete hears of it too where its run is RunApproved, RunReviewAgain or RunReplaced: that is its state from then on.

// What becomes of a request.
const (
	RequestReceived = "received"
	RequestChanged  = "changed" // another priority, due, balance
)

// LabRequestChanged says that a request came, changed, was begun, answered or cancelled. It is what goes back to whoever sent it.
type LabRequestChanged struct {
	Head
	Request LabRequest  `json:"request"`
	Change  string      `json:"change"` // received, changed, begun, complete, abandoned, cancelled; approved, needs review again, replaced: so its run is
	State   string      `json:"state"`  // after it: waiting, begun, and the words of Change from complete on
	Before  *LabRequest `json:"before,omitempty"`
	Run     string      `json:"run,omitempty"`
	Results []RunResult `json:"results,omitempty"`
	Verdict string      `json:"verdict,omitempty"`
	LeftOut []RunLeft   `json:"left_out,omitempty"` // items of the run that Verdict says nothing of
	Reason  string      `json:"reason,omitempty"`
	By      Actor       `json:"by"`
	Stamp   Stamp       `json:"stamp"`
}

func (l *LabRequestChanged) Kind() Kind      { return KindRequestChanged }
func (l *LabRequestChanged) Subject() string { return l.Request.Balance }
func (l *LabRequestChanged) Time() time.Time { return l.Stamp.UTC.Time() }
