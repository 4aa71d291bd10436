package record

import "time"

// MostReleased is how many held entries one act releases at most, and MostAnswered how many answers one entry keeps.
const (
	MostReleased = 1000
	MostAnswered = 1000
)

// SinkPaused says that somebody stopped the deliveries of a sink for a time, or let them go on.
type SinkPaused struct {
	Head
	Paused bool   `json:"paused"`
	Sink   string `json:"sink"`
	Reason string `json:"reason,omitempty"`
	By     Actor  `json:"by"`
	Stamp  Stamp  `json:"stamp"`
}

// Kind is KindSinkPaused or KindSinkContinued.
func (s *SinkPaused) Kind() Kind {
	if s.Paused {
		return KindSinkPaused
	}
	return KindSinkContinued
}
func (s *SinkPaused) Subject() string { return "" }
func (s *SinkPaused) Time() time.Time { return s.Stamp.UTC.Time() }

// EntryRef names an entry.
type EntryRef struct {
	Seq uint64 `json:"seq"`
	ID  string `json:"id"`
}

// HeldReleased says that entries which sinks hold back until somebody has looked at them may go out.
type HeldReleased struct {
	Head
	Entries []EntryRef `json:"entries"` // 1 to MostReleased
	Reason  string     `json:"reason,omitempty"`
	By      Actor      `json:"by"`
	Stamp   Stamp      `json:"stamp"`
}

func (h *HeldReleased) Kind() Kind      { return KindHeldReleased }
func (h *HeldReleased) Subject() string { return "" }
func (h *HeldReleased) Time() time.Time { return h.Stamp.UTC.Time() }

// SinkAnswered keeps what a destination gave back for entries that it accepted: a number of a lab system's own, or what was printed.
type SinkAnswered struct {
	Head
	Sink    string     `json:"sink"`
	Answers []Answered `json:"answers"` // 1 to MostAnswered
	Stamp   Stamp      `json:"stamp"`
}

// Answered is what a destination gave back for one entry.
type Answered struct {
	Seq    uint64 `json:"seq"`
	ID     string `json:"id"`
	Given  string `json:"given,omitempty"`  // the destination's own name for it, such as the number of a print job
	SHA256 string `json:"sha256,omitempty"` // of the bytes that were handed over, in hex, where what was handed over is to be shown later
}

func (s *SinkAnswered) Kind() Kind      { return KindSinkAnswered }
func (s *SinkAnswered) Subject() string { return "" }
func (s *SinkAnswered) Time() time.Time { return s.Stamp.UTC.Time() }
