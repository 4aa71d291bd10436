package journal

import (
	"bytes"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/timestamp"
)

// FaultTime is a time-stamp that is not over this journal, or not by an authority that is trusted.
const FaultTime = "time-stamp"

// VerifyOption asks Verify for more than it does of itself.
type VerifyOption func(*verifier)

// TrustTimestamps has Verify hold the signatures of outside time-stamps against these authorities. Without, it only sees what
// they are over.
func TrustTimestamps(roots *x509.CertPool) VerifyOption {
	return func(v *verifier) { v.times.roots = roots }
}

// TimeReport is what Verify found about the time of the entries.
type TimeReport struct {
	Outside   OutsideTimes `json:"outside"`
	Unchecked ClockSpans   `json:"unchecked"` // entries whose stamp says that the clock was never checked
	Holdover  ClockSpans   `json:"holdover"`  // and whose clock was in holdover
	// Corrections is how many entries say that stamps of others were wrong.
	Corrections uint64 `json:"corrections"`
}

// OutsideTimes are the time-stamps of outside authorities.
type OutsideTimes struct {
	Count uint64 `json:"count"`
	// Signatures says whether they were verified, by authorities that were named.
	Signatures bool      `json:"signatures_verified"`
	Entry      uint64    `json:"entry,omitempty"` // sequence of the last; of the last good one are all that follows
	Covers     uint64    `json:"covers,omitempty"`
	Authority  string    `json:"authority,omitempty"`
	At         time.Time `json:"at,omitzero"`
}

// ClockSpans are entries with a clock of one state.
type ClockSpans struct {
	Entries uint64     `json:"entries"`
	Spans   []ClockRun `json:"spans"`      // the first of them
	More    uint64     `json:"more_spans"` // beyond those

	last uint64
}

// ClockRun is a run of sequences without a gap.
type ClockRun struct {
	From uint64 `json:"from"`
	To   uint64 `json:"to"`
}

// maxRuns is how many spans a report lists.
const maxRuns = 100

func (s *ClockSpans) add(seq uint64) {
	goesOn := s.Entries > 0 && s.last+1 == seq
	s.Entries, s.last = s.Entries+1, seq
	switch {
	case goesOn && s.More == 0:
		s.Spans[len(s.Spans)-1].To = seq
	case goesOn:
	case len(s.Spans) < maxRuns:
		s.Spans = append(s.Spans, ClockRun{seq, seq})
	default:
		s.More++
	}
}

// stampClock begins the state of the clock in every stamp. Quotes within a text are escaped, so that it is never part of one.
var stampClock = []byte(`"clock":"`)

// clock counts an entry whose stamp is not by a checked clock. It looks at bytes alone: Verify has no time to read every entry.
func (v *verifier) clock(e record.Entry) {
	if e.Kind == record.KindClockCorrected {
		v.report.Time.Corrections++
		return
	}
	for rest := []byte(e.JSON); ; {
		i := bytes.Index(rest, stampClock)
		if i < 0 {
			return
		}
		rest = rest[i+len(stampClock):]
		switch {
		case bytes.HasPrefix(rest, []byte(record.ClockUnchecked+`"`)):
			v.report.Time.Unchecked.add(e.Seq)
			return
		case bytes.HasPrefix(rest, []byte(record.ClockHoldover+`"`)):
			v.report.Time.Holdover.add(e.Seq)
			return
		}
	}
}

// times is what Verify keeps for time-stamps.
type times struct{ roots *x509.CertPool }

// timestamped takes an entry with an outside time-stamp: the token is over the checkpoint, and the checkpoint is of this tree.
func (v *verifier) timestamped(e record.Entry) {
	v.report.Time.Outside.Count++
	token, one, err := v.readTimestamp(e)
	if err == nil && v.times.roots != nil {
		err = token.Verify(v.times.roots)
	}
	if err != nil {
		v.report.fault(e.Seq, FaultTime, "%v", err)
		return
	}
	o := &v.report.Time.Outside
	o.Entry, o.Covers, o.Authority, o.At = e.Seq, one.Size, token.Authority(), token.GenTime
}

func (v *verifier) readTimestamp(e record.Entry) (*timestamp.Token, record.Timestamped, error) {
	var one record.Timestamped
	if err := json.Unmarshal(e.JSON, &one); err != nil {
		return nil, one, fmt.Errorf("the time-stamp cannot be read: %w", err)
	}
	token, err := timestamp.Parse(one.Token)
	if err != nil {
		return nil, one, err
	}
	if err := token.Over([]byte(one.Checkpoint)); err != nil {
		return nil, one, fmt.Errorf("the checkpoint beside the time-stamp is not the one that was stamped: %w", err)
	}
	c, err := proof.Peek([]byte(one.Checkpoint))
	if err != nil {
		return nil, one, fmt.Errorf("what was time-stamped is no checkpoint: %w", err)
	}
	if c.Size != one.Size || c.Size >= e.Seq {
		return nil, one, fmt.Errorf("the time-stamp says that it covers %d entries, and its checkpoint %d", one.Size, c.Size)
	}
	if got := record.UTC(token.GenTime); got.String() != one.GenTime.String() {
		return nil, one, fmt.Errorf("the time-stamp tells %s, and the entry says %s", got, one.GenTime)
	}
	at, err := loadEdge(v.db, c.Size)
	if err != nil {
		return nil, one, fmt.Errorf("the time-stamp covers %d entries, of which not all are there: %w", c.Size, err)
	}
	if root, err := at.root(); err != nil || root != c.Root {
		return nil, one, fmt.Errorf("the first %d entries are not those that were time-stamped at %s (tree hash differs)", c.Size, one.GenTime)
	}
	return token, one, nil
}

// timesText tells of time-stamps and clocks.
func (r *Report) timesText(line func(name, format string, args ...any)) {
	t := &r.Time
	switch o := t.Outside; {
	case o.Count == 0:
		line("outside time", "no time-stamps")
	case o.Entry == 0:
		line("outside time", "%d time-stamps, and none of them holds", o.Count)
	default:
		signatures := "; signatures not verified: name the authorities with --tsa-ca"
		if o.Signatures {
			signatures = "; signatures verified"
		}
		line("outside time", "time-stamps: %d, the last by %s at %s covers %d entries%s", o.Count, o.Authority,
			o.At.UTC().Format(time.RFC3339Nano), o.Covers, signatures)
	}
	t.Unchecked.text("clock unchecked", line)
	t.Holdover.text("clock holdover", line)
	if t.Corrections > 0 {
		line("clock corrected", "%d entries say by how much stamps were wrong: weighpost journal list --kind clock-corrected", t.Corrections)
	}
}

func (s *ClockSpans) text(name string, line func(name, format string, args ...any)) {
	const shown = 10
	if s.Entries == 0 {
		return
	}
	var list []string
	for _, r := range s.Spans[:min(len(s.Spans), shown)] {
		if r.From == r.To {
			list = append(list, fmt.Sprint(r.From))
		} else {
			list = append(list, fmt.Sprintf("%d to %d", r.From, r.To))
		}
	}
	text := strings.Join(list, ", ")
	if more := uint64(len(s.Spans)-len(list)) + s.More; more > 0 {
		text += fmt.Sprintf(" and %d more spans", more)
	}
	line(name, "%d entries: %s", s.Entries, text)
}
