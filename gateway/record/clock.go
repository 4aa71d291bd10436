package record

import "time"

// ClockChange says that the state of the clock changed, that it stepped, or that the computer slept.
type ClockChange struct {
	Head
	From  string `json:"from"`  // checked, holdover, unchecked
	State string `json:"state"` // the same words, from now on
	Why   string `json:"why"`   // a sentence
	// Step is by how much the stamps now given are ahead of those given a moment before for the same instant: a decimal
	// number of seconds, "-3.000012"; empty where nothing stepped. At the first check it corrects the unchecked stamps since
	// the start.
	Step    string       `json:"step_s,omitempty"`
	Servers []TimeServer `json:"servers,omitempty"`
	Stamp   Stamp        `json:"stamp"`
}

// TimeServer is what one time server last said.
type TimeServer struct {
	Server string `json:"server"`
	// State is agreeing, falseticker, undecided (it answered, and no majority says whether it is right), silent or refused.
	State  string `json:"state"`
	Offset string `json:"offset_s,omitempty"` // of its time from the system's clock: a decimal number of seconds with sign
	Bound  *Span  `json:"bound_s,omitempty"`  // its root distance as seen from here
	Why    string `json:"why,omitempty"`      // where it does not agree
}

func (c *ClockChange) Kind() Kind      { return KindClockChanged }
func (c *ClockChange) Subject() string { return "" }
func (c *ClockChange) Time() time.Time { return c.Stamp.UTC.Time() }
