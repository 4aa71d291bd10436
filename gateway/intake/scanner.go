package intake

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
)

// scanGap is the silence inside a scan after which it is taken for cut off: what follows is never joined to it.
const scanGap = 500 * time.Millisecond

// maxScan is how many bytes a scan may have.
const maxScan = 512

// scanner is the handler of the port of a balance's scanner. Everything that it owns is guarded by the intake's lock.
type scanner struct {
	in       *Intake
	cfg      *ScannerConfig
	line     Line
	splitter *frame.Splitter
	arrivals arrivals
	received int64
	up       time.Time // the port was opened
	heard    bool      // bytes came since
	afresh   bool      // after a silence: the first scan was heard from its beginning
	flaps    flaps
	cutOff   bool // a scan has begun and will be refused
	portUp   bool
}

var _ port.Handler = (*scanner)(nil)

func newScanner(in *Intake, cfg *ScannerConfig, line Line) (*scanner, error) {
	if line == nil {
		return nil, fmt.Errorf("balance %s: the scanner has no line", in.cfg.ID)
	}
	splitter, err := frame.New(cfg.rule())
	if err != nil {
		return nil, fmt.Errorf("balance %s: the scanner: %w", in.cfg.ID, err)
	}
	if l, ok := line.(gapped); ok {
		l.SetIdleGap(scanGap)
	}
	return &scanner{in: in, cfg: cfg, line: line, splitter: splitter}, nil
}

// quiet says whether no scan is on its way, as far as that can be known. Where it is known, a later scan came later.
func (s *scanner) quiet() bool {
	if n := s.splitter.Pending(); n > 0 && n <= maxScan && !s.cutOff { // a scan has begun, has not ended, and may still be one
		return false
	}
	l, ok := s.line.(quieter)
	if !ok {
		return true
	}
	now := s.in.now()
	quiet, known := l.Quiet()
	if quiet && known {
		s.arrivals.look(now)
	}
	return quiet || !known
}

// Up is called when the port has been opened.
func (s *scanner) Up(at time.Time) {
	s.in.mu.Lock()
	defer s.in.mu.Unlock()
	s.portUp = true
	s.up, s.heard = at, false
	s.changed(&record.PortChange{Up: true}, at)
}

// Down is called when the port was lost, and at the stop. Half a scan goes with it.
func (s *scanner) Down(at time.Time, why error) {
	s.in.mu.Lock()
	defer s.in.mu.Unlock()
	s.portUp = false
	s.cutOff = false
	dropped := s.splitter.Reset()
	var trouble *port.Trouble
	if errors.As(why, &trouble) {
		s.changed(&record.PortChange{Dropped: dropped, Why: trouble.Sentence}, at)
	}
}

func (s *scanner) changed(e *record.PortChange, at time.Time) {
	e.Role = "scanner"
	s.in.portEntry(e, s.cfg.Port.Address, &s.flaps, at)
}

// Bytes is called with what the port received.
func (s *scanner) Bytes(p []byte, a port.Arrival) {
	in := s.in
	in.mu.Lock()
	defer in.mu.Unlock()
	in.dueAt(a.At)
	s.received += int64(len(p))
	s.arrivals.note(s.received, len(p), a.At, a.Emptied, s.cfg.Port.WireTime(1))
	if !s.heard {
		s.heard, s.afresh = true, a.At.Add(-s.cfg.Port.WireTime(len(p))).Sub(s.up) >= silenceAfterOpening(s.cfg.Port)
	}
	s.splitter.Push(p, func(f frame.Frame) { s.scan(f, a.At) })
	s.cutOff = s.cutOff && s.splitter.Pending() > 0
	in.settle(in.now())
	in.reckonDue()
}

// Idle is called after a silence. A scan that has begun and not ended was cut off: with whatever comes of it later it is
// refused, because the rest of a cut label may read as another.
func (s *scanner) Idle(at time.Time) {
	in := s.in
	in.mu.Lock()
	defer in.mu.Unlock()
	in.dueAt(at)
	s.splitter.Idle(func(f frame.Frame) { s.scan(f, at) })
	s.cutOff = s.splitter.Pending() > 0
	in.settle(in.now())
	in.reckonDue()
}

// scan turns one scan into a request. Its end is when the scan counts; a print between its first byte and its end came at
// a time that nobody can order.
func (s *scanner) scan(f frame.Frame, at time.Time) {
	m := s.arrivals.first(f.Offset)
	m.hi = at
	s.arrivals.forget(f.End)
	r := record.ContextRequest{By: record.ByScanned, Where: s.cfg.Port.Address, Raw: slices.Clone(f.Bytes), At: at}
	why := f.Fault
	switch {
	case why != "":
		why = "It cannot be read: " + strings.TrimSuffix(why, ".") + "."
	case f.Opening && !s.afresh:
		why = "Its beginning may be missing: it was already coming when the port was opened."
	}
	if why != "" {
		_ = s.in.refuseContext(&r, nil, why, false) // the entry and the condition say it
		return
	}
	_, _, _ = s.in.scanMeans("", string(f.Body), false, &r, m, true) // likewise
}
