package record

import "time"

// RecordingState says that recording was refused from here on, or that it works again.
type RecordingState struct {
	Head
	Stopped bool   `json:"stopped"`
	Cause   string `json:"cause"` // at a resumption, of the stop before
	// Free is what was free on the journal's disk, and Reserve what is kept free for recording, in bytes. Both are absent
	// where the stop had nothing to do with space.
	Free    *uint64 `json:"free,omitempty"`
	Reserve *uint64 `json:"reserve,omitempty"`
	// Since is when recording stopped, at a resumption.
	Since *UTC  `json:"since,omitempty"`
	Stamp Stamp `json:"stamp"`
}

// Kind is KindRecordingStopped or KindRecordingResumed.
func (r *RecordingState) Kind() Kind {
	if r.Stopped {
		return KindRecordingStopped
	}
	return KindRecordingResumed
}
func (r *RecordingState) Subject() string { return "" }
func (r *RecordingState) Time() time.Time { return r.Stamp.UTC.Time() }

// Damage says that the journal is not as it was written. It is the last entry before recording stops for it.
type Damage struct {
	Head
	What string `json:"what"` // a sentence: what is wrong
	// Entry is the sequence of the first entry concerned, 0 where it is about none.
	Entry uint64 `json:"entry,omitempty"`
	Where string `json:"where,omitempty"` // file, byte and page, as far as known
	// Verified is how many entries before were verified in the same pass, and found right.
	Verified uint64 `json:"verified"`
	Stamp    Stamp  `json:"stamp"`
}

func (d *Damage) Kind() Kind      { return KindDamage }
func (d *Damage) Subject() string { return "" }
func (d *Damage) Time() time.Time { return d.Stamp.UTC.Time() }
