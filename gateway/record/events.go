package record

import "time"

// About names the balance that an entry is about, where the full description is not needed.
type About struct {
	ID string `json:"id"`
}

// Unread is a frame that was received and that the layout does not explain.
type Unread struct {
	Head
	Balance  About    `json:"balance"`
	Frame    []byte   `json:"frame"`
	Reason   string   `json:"reason"`
	Layout   string   `json:"layout"`
	Port     string   `json:"port"`
	Stamp    Stamp    `json:"stamp"`
	Software Software `json:"software"`
}

func (u *Unread) Kind() Kind      { return KindUnread }
func (u *Unread) Subject() string { return u.Balance.ID }
func (u *Unread) Time() time.Time { return u.Stamp.UTC.Time() }

// UnreadSummary stands for the unread frames of one minute after the first twenty.
type UnreadSummary struct {
	Head
	Balance About  `json:"balance"`
	From    Stamp  `json:"from"`
	To      Stamp  `json:"to"`
	Frames  uint64 `json:"frames"`
	Bytes   uint64 `json:"bytes"`
	SHA256  string `json:"sha256"` // over the bytes of all these frames in order
	Sample  []byte `json:"sample"` // the last frame, cut to 256 bytes
	Reason  string `json:"reason"` // of the last frame
	Port    string `json:"port"`
}

func (u *UnreadSummary) Kind() Kind      { return KindUnreadSummary }
func (u *UnreadSummary) Subject() string { return u.Balance.ID }
func (u *UnreadSummary) Time() time.Time { return u.To.UTC.Time() }

// PortChange says that a port came or went. Flaps within a minute are one entry with a count.
type PortChange struct {
	Head
	Balance About  `json:"balance"`
	Port    string `json:"port"`
	// Role is scanner for the port of a balance's scanner, and absent for the balance's own.
	Role  string `json:"role,omitempty"`
	Up    bool   `json:"up"`
	Why   string `json:"why,omitempty"`
	Times int    `json:"times"` // how often since the last entry of this kind
	// Dropped is how many bytes of an unfinished line went with the port; they are never joined to later ones.
	Dropped int   `json:"dropped,omitempty"`
	Stamp   Stamp `json:"stamp"`
}

// Kind is KindPortUp or KindPortDown.
func (p *PortChange) Kind() Kind {
	if p.Up {
		return KindPortUp
	}
	return KindPortDown
}
func (p *PortChange) Subject() string { return p.Balance.ID }
func (p *PortChange) Time() time.Time { return p.Stamp.UTC.Time() }

// Gap says that readings arrived while recording was stopped, and are not in the journal.
type Gap struct {
	Head
	Balance  About  `json:"balance"`
	Readings uint64 `json:"readings"`
	From     Stamp  `json:"from"`
	To       Stamp  `json:"to"`
	Why      string `json:"why"`
}

func (g *Gap) Kind() Kind      { return KindGap }
func (g *Gap) Subject() string { return g.Balance.ID }
func (g *Gap) Time() time.Time { return g.To.UTC.Time() }

// Lifecycle says that the daemon began or ended.
type Lifecycle struct {
	Head
	Started  bool     `json:"started"`
	Software Software `json:"software"`
	// Balances lists what is configured, at a start.
	Balances []Balance `json:"balances,omitempty"`
	Stamp    Stamp     `json:"stamp"`
}

// Kind is KindStart or KindStop.
func (l *Lifecycle) Kind() Kind {
	if l.Started {
		return KindStart
	}
	return KindStop
}
func (l *Lifecycle) Subject() string { return "" }
func (l *Lifecycle) Time() time.Time { return l.Stamp.UTC.Time() }

// Parked says that a sink refused an entry for good.
type Parked struct {
	Head
	Sink    string `json:"sink"`
	Entry   uint64 `json:"entry"`    // sequence of the refused entry
	EntryID string `json:"entry_id"` // its id
	Why     string `json:"why"`
	Stamp   Stamp  `json:"stamp"`
}

func (p *Parked) Kind() Kind      { return KindParked }
func (p *Parked) Subject() string { return "" }
func (p *Parked) Time() time.Time { return p.Stamp.UTC.Time() }

// SinkState says that a sink stopped, or works again after having been stopped.
type SinkState struct {
	Head
	Sink    string `json:"sink"`
	Stopped bool   `json:"stopped"`
	Why     string `json:"why,omitempty"`
	Stamp   Stamp  `json:"stamp"`
}

// Kind is KindSinkStopped or KindSinkResumed.
func (s *SinkState) Kind() Kind {
	if s.Stopped {
		return KindSinkStopped
	}
	return KindSinkResumed
}
func (s *SinkState) Subject() string { return "" }
func (s *SinkState) Time() time.Time { return s.Stamp.UTC.Time() }

// SinkMoved says that a sink has another destination from now on, or that it is new and leaves out what came before, and
// which entries go there.
type SinkMoved struct {
	Head
	Sink string `json:"sink"`
	// From and To name destinations: the kind, the address and what else tells two of them apart, and no secret. From is
	// empty where the sink is new, or where an older weighpost did not note it.
	From   string `json:"from,omitempty"`
	To     string `json:"to"`
	Cursor string `json:"cursor"` // what the configuration asks for: keep, now or start
	Before uint64 `json:"before"` // entries up to this sequence were done with for From
	After  uint64 `json:"after"`  // entries after this sequence go to To
	Stamp  Stamp  `json:"stamp"`
}

func (s *SinkMoved) Kind() Kind      { return KindSinkMoved }
func (s *SinkMoved) Subject() string { return "" }
func (s *SinkMoved) Time() time.Time { return s.Stamp.UTC.Time() }
