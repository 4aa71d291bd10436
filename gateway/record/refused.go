package record

import "time"

// Refused says that an act was not allowed. Attempts of one kind from one address within a minute are one entry with a count,
// and where there are too many addresses to tell apart, so are those of the rest.
type Refused struct {
	Head
	What string `json:"what"` // that was asked for: a method and a path, or a command
	// Address is where the attempts came from; for many addresses together it says so.
	Address string `json:"address"`
	Times   uint64 `json:"times"` // attempts that this entry stands for
	Why     string `json:"why"`
	By      Actor  `json:"by"`
	From    UTC    `json:"from"` // the first of them
	Stamp   Stamp  `json:"stamp"`
}

func (r *Refused) Kind() Kind      { return KindRefused }
func (r *Refused) Subject() string { return "" }
func (r *Refused) Time() time.Time { return r.Stamp.UTC.Time() }
