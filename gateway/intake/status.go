package intake

import (
	"weighpost/gateway/health"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// Status is what a balance's pipeline shows of itself.
type Status struct {
	PortUp   bool
	Identity string // confirmed or unconfirmed
	Frames   uint64 // received since the start
	Unread   uint64 // of these, without a usable value
	Damaged  uint64 // bytes with a parity or framing error, where the driver can tell
	Breaks   uint64 // times that the line was held low, where the driver can tell
	Recorded uint64 // weighings and results that the journal has acknowledged since the start
	Waiting  int    // entries that wait for the journal
	Unkept   uint64 // readings since the start that were not recorded because too many waited

	LastUnread  *UnreadFrame // the latest of the unread frames, nil where there was none
	Unprotected bool         // see Unprotected

	Live       record.Live // the latest reading
	LastID     string      // of the latest recorded weighing or result, "" where none was
	LastValue  record.Value
	LastUTC    record.UTC
	LastSample string // "" where none is known
	LastPerson string // likewise

	Context   record.ContextView // what the next weighing would carry
	ScannerUp bool               // false also where there is no scanner

	Asked Asked // what became of the questions to it
}

// UnreadFrame is a frame without a usable value.
type UnreadFrame struct {
	UTC   record.UTC
	Why   string
	Frame []byte // as received, its first 256 bytes at the most; it does not change
}

// mostShown is how many bytes of an unread frame are shown.
const mostShown = 256

// Unprotected says whether nothing would show that a character was disturbed on the line: it has no parity, and the layout no
// check characters. Of the line behind a device server nothing is known.
func Unprotected(c port.Config, l *layout.Layout) bool {
	return c.WireTime(1) > 0 && (c.Parity == "" || c.Parity == port.ParityNone) && !l.HasCheck()
}

// Status gives the present state. It may be called from any goroutine.
func (in *Intake) Status() Status {
	waiting, unkept := in.out.totals()
	in.mu.Lock()
	defer in.mu.Unlock()
	s := in.status
	s.Context, s.Asked = in.view(in.now()), in.asking.tally
	s.ScannerUp = in.scan != nil && in.scan.portUp
	s.Unprotected = Unprotected(in.cfg.Port, in.layout)
	s.Identity, s.Waiting, s.Unkept = in.identity.state, waiting, unkept
	return s
}

// Config gives the configuration by which the pipeline works now.
func (in *Intake) Config() Config {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.cfg
}

func (in *Intake) noteRecorded(id string, w *record.Weighing) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.status.Recorded++
	in.status.LastID, in.status.LastValue, in.status.LastUTC, in.status.LastSample = id, w.Value, w.Stamp.UTC, sampleOf(w)
	in.status.LastPerson = personOf(w)
}

// Forget takes back what an Intake said of a balance, as when it is no longer configured.
func Forget(board *health.Board, balance string) {
	board.ClearAll(balance, unreadFrames, wrongBalance, health.IdentityUnconfirmed, notRecorded, contextRefused, health.NoAnswer, health.PersonDiffers, health.SampleDiffers, health.ClockWentBack)
}
