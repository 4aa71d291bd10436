package record

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"
)

// Sample is what is known of a sample before it is weighed. What it brings along is set together with it.
type Sample struct {
	ID     string            `json:"id"`
	Lot    string            `json:"lot,omitempty"`
	Method string            `json:"method,omitempty"`
	Run    string            `json:"run,omitempty"`
	Fields map[string]string `json:"fields,omitempty"`
	// Expires is when it is not to be weighed any more; absent: never.
	Expires *UTC `json:"expires,omitempty"`
}

// What becomes of a sample.
const (
	SampleNew     = "announced"
	SampleChanged = "changed" // what it brings along, or its end, is another
	SampleEnded   = "ended"   // it is not known any more
)

// SampleAnnounced says that a sample is known from here on, that what is known of it changed, or that it is not known any more.
type SampleAnnounced struct {
	Head
	Sample  Sample  `json:"sample"`
	Change  string  `json:"change"`            // announced, changed, ended
	Before  *Sample `json:"before,omitempty"`  // where it was known
	Request string  `json:"request,omitempty"` // the sender's own mark, or that of a file
	Why     string  `json:"why,omitempty"`     // where it ended: the reason given
	By      Actor   `json:"by"`
	Stamp   Stamp   `json:"stamp"`
}

func (s *SampleAnnounced) Kind() Kind      { return KindSampleAnnounced }
func (s *SampleAnnounced) Subject() string { return "" }
func (s *SampleAnnounced) Time() time.Time { return s.Stamp.UTC.Time() }

// KnownSample is a sample with who announced it, and when.
type KnownSample struct {
	Sample
	Since UTC   `json:"since"` // announced, or changed last
	By    Actor `json:"by"`
	// Entry is the entry that says so.
	Entry string `json:"entry"`
}

// SamplesTaken says what became of samples that were sent.
type SamplesTaken struct {
	New       int `json:"new"`
	Changed   int `json:"changed"`
	Unchanged int `json:"unchanged"` // known as they are: no entry was needed
}

// SampleRefused says why samples were not taken, in a sentence for whoever sent them.
type SampleRefused struct{ Why string }

func (r *SampleRefused) Error() string { return r.Why }

// ErrNoSample says that no sample of the id is known.
var ErrNoSample = errors.New("no sample of that id is known")

// Check says why what is said of a sample cannot be taken, or nil.
func (s *Sample) Check() error {
	for _, one := range []struct{ name, value string }{{"id", s.ID}, {ItemLot, s.Lot}, {ItemMethod, s.Method}, {ItemRun, s.Run}} {
		if one.value == "" && one.name != "id" {
			continue
		}
		if err := CheckContextID(one.value); err != nil {
			return fmt.Errorf("the %s of the sample %w", one.name, err)
		}
	}
	if len(s.Fields) > maxContextField {
		return fmt.Errorf("the sample has %d fields: at most %d are taken", len(s.Fields), maxContextField)
	}
	for _, name := range slices.Sorted(maps.Keys(s.Fields)) {
		if err := CheckFieldName(name); err != nil {
			return fmt.Errorf("the name %q in the fields of the sample %w", name, err)
		}
		if err := CheckContextID(s.Fields[name]); err != nil {
			return fmt.Errorf("the field %s of the sample %w", name, err)
		}
	}
	return nil
}

// Same says whether two say the same of a sample.
func (s *Sample) Same(o *Sample) bool {
	sameEnd := (s.Expires == nil) == (o.Expires == nil) && (s.Expires == nil || s.Expires.Time().Equal(o.Expires.Time()))
	return s.ID == o.ID && s.Lot == o.Lot && s.Method == o.Method && s.Run == o.Run && maps.Equal(s.Fields, o.Fields) && sameEnd
}

// Expired says whether the sample is not to be weighed any more at a time.
func (s *Sample) Expired(at time.Time) bool { return s.Expires != nil && !at.Before(s.Expires.Time()) }

// Brings gives what the sample brings along, by name of item or field.
func (s *Sample) Brings() map[string]string {
	all := maps.Clone(s.Fields)
	if all == nil {
		all = map[string]string{}
	}
	for name, value := range map[string]string{ItemLot: s.Lot, ItemMethod: s.Method, ItemRun: s.Run} {
		if value != "" {
			all[name] = value
		}
	}
	return all
}
