package record

import "time"

// MostParked is how many parked entries one act names at most.
const MostParked = 1000

// ParkedRef names a parked entry.
type ParkedRef struct {
	Seq uint64 `json:"seq"`
	ID  string `json:"id"`
	// Notice is the sequence of the parked entry that says why.
	Notice uint64 `json:"notice"`
}

// SetAside is an entry that a destination refused for good.
type SetAside struct {
	Entry  uint64 // sequence of the entry
	Notice uint64 // sequence of the parked entry that says so, and why; or of the one by which somebody asks for it
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

// NoticeOf gives the sequence of the parked entry that says why an entry was parked; 0 where this is not about it.
func (p *ParkedActed) NoticeOf(seq uint64) uint64 {
	for _, e := range p.Entries {
		if e.Seq == seq {
			return e.Notice
		}
	}
	return 0
}

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
