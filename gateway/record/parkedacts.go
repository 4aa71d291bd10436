package record

import "time"

// MostParked is how many parked entries one act names at most.
const MostParked = 1000

// ParkedRef names a parked entry.
type ParkedRef struct {
	Seq uint64 `json:"seq"`
	ID  string `json:"id"`
}

// ParkedActed says that somebody decided about entries that a destination refused: to have them delivered again, or never.
type ParkedActed struct {
	Head
	// Dropped: they are never delivered. Otherwise they are delivered again, each with its id; until the destination took one it
	// stays parked, and if it refuses it again another parked entry says so.
	Dropped bool        `json:"dropped"`
	Sink    string      `json:"sink"`
	Entries []ParkedRef `json:"entries"` // 1 to MostParked
	Reason  string      `json:"reason,omitempty"`
	By      Actor       `json:"by"`
	Stamp   Stamp       `json:"stamp"`
}

// Kind is KindParkedDropped or KindParkedRetried.
func (p *ParkedActed) Kind() Kind {
	if p.Dropped {
		return KindParkedDropped
	}
	return KindParkedRetried
}
func (p *ParkedActed) Subject() string { return "" }
func (p *ParkedActed) Time() time.Time { return p.Stamp.UTC.Time() }

// SinkTried says that somebody had a sink tried at once.
type SinkTried struct {
	Head
	Sink   string `json:"sink"`
	Reason string `json:"reason,omitempty"`
	By     Actor  `json:"by"`
	Stamp  Stamp  `json:"stamp"`
}

func (s *SinkTried) Kind() Kind      { return KindSinkTried }
func (s *SinkTried) Subject() string { return "" }
func (s *SinkTried) Time() time.Time { return s.Stamp.UTC.Time() }
