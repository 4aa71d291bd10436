package demo

import (
	"fmt"
	"strings"
)

// Report is what the demo has to show for itself. Everything in it was counted behind the sinks and in the closed journal,
// never by the daemon.
type Report struct {
	Balances int                  `json:"balances"`
	Printed  int                  `json:"printed"`  // weighings that the balances printed
	Recorded int                  `json:"recorded"` // weighings in the journal
	Unread   int                  `json:"unread"`   // unread frames in the journal
	Sinks    map[string]Delivered `json:"sinks"`
	Lost     int                  `json:"lost"`    // printed, and missing in the journal or behind a sink
	Strange  int                  `json:"strange"` // there, and never printed so
	// What was scanned at a balance, sent for it or printed by it is its person and sample; all others must have none.
	WithPerson  int `json:"with_person"`  // printed weighings that a person was meant for
	WithSample  int `json:"with_sample"`  // likewise, a sample
	WrongPerson int `json:"wrong_person"` // in the journal or behind a sink: another than was meant, one where none was, or none
	WrongSample int `json:"wrong_sample"` // likewise
	// The day at the seed testing bench.
	Runs     int `json:"runs"`     // runs that are complete
	Requests int `json:"requests"` // requests that the lab system sent
	Answers  int `json:"answers"`  // requests that came back to it with results
	// Duplicates arrived more than once, with the same id: allowed, and counted.
	Duplicates      int      `json:"duplicates"`
	JournalVerified bool     `json:"journal_verified"`
	Faults          []string `json:"faults,omitempty"`
	Seconds         float64  `json:"seconds"`
	Kept            string   `json:"kept,omitempty"` // the folder, where one was given
}

// Delivered is what arrived behind one sink.
type Delivered struct {
	Delivered int `json:"delivered"`
}

// Verdict is nil when everything arrived, or a sentence that says what did not.
func (r Report) Verdict() error {
	switch {
	case r.Lost > 0:
		return fmt.Errorf("%d weighings were printed and did not arrive everywhere", r.Lost)
	case r.Strange > 0:
		return fmt.Errorf("%d weighings arrived that no balance printed", r.Strange)
	case r.WrongSample > 0 || r.WrongPerson > 0:
		return fmt.Errorf("%d weighings carry another sample than was meant for them and %d another person: it is a fault, unless somebody else set a context while the demo ran",
			r.WrongSample, r.WrongPerson)
	case !r.JournalVerified:
		return fmt.Errorf("the journal does not verify: %s", strings.Join(r.Faults, "; "))
	case len(r.Faults) > 0:
		return fmt.Errorf("%s", strings.Join(r.Faults, "; "))
	case r.Printed == 0:
		return fmt.Errorf("no balance printed anything: nothing was shown")
	}
	return nil
}

// Text is the report for a person.
func (r Report) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%d balances printed %d weighings in %.0f s; the journal holds %d. Unread frames: %d.\n",
		r.Balances, r.Printed, r.Seconds, r.Recorded, r.Unread)
	for _, kind := range []string{"mqtt", "files", "http"} {
		fmt.Fprintf(&b, "  %-6s %d arrived\n", kind, r.Sinks[kind].Delivered)
	}
	fmt.Fprintf(&b, "Lost: %d. Came twice: %d. Never printed: %d. Journal verified: %t.\n", r.Lost, r.Duplicates, r.Strange, r.JournalVerified)
	fmt.Fprintf(&b, "Tied to a sample: %d, to a person: %d. Wrong sample: %d. Wrong person: %d.\n", r.WithSample, r.WithPerson, r.WrongSample, r.WrongPerson)
	fmt.Fprintf(&b, "Requests of the lab system: %d. Complete runs: %d. Requests that came back with results: %d.\n", r.Requests, r.Runs, r.Answers)
	if r.Kept != "" {
		fmt.Fprintf(&b, "Kept in %s\n", r.Kept)
	}
	return b.String()
}
