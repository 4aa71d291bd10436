package record

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// kinds lists every kind, in the order in which record.go tells of them.
var kinds = []Kind{
	KindWeighing, KindResult, KindUnread, KindUnreadSummary, KindPortUp, KindPortDown, KindGap, KindStart, KindStop,
	KindParked, KindSinkStopped, KindSinkResumed, KindSinkMoved, KindClockChanged, KindContextChanged, KindConfigured,
	KindLayoutChanged, KindCommand, KindKeyRotated, KindTimestamped, KindClockCorrected, KindTrailReviewed, KindBackup,
	KindRestored, KindSealed, KindRecordingStopped, KindRecordingResumed, KindDamage, KindRefused,
	KindPersonChanged, KindSignedIn, KindSignedOut, KindSignInRefused, KindAPIKeyChanged, KindAccountsReviewed, KindSettingsPending,
	KindSettingsDecided, KindSampleAnnounced, KindParkedRetried, KindParkedDropped, KindSinkTried,
	KindSinkPaused, KindSinkContinued, KindHeldReleased, KindSinkAnswered,
	KindWeightChanged, KindCheckBegun, KindCheckStep, KindCheckEnded, KindFitnessChanged, KindCheckReminder, KindUpkeep,
	KindAffectedJudged, KindFailureClosed,
	KindProcedureChanged, KindRunBegun, KindRunStep, KindRunEnded, KindRequestChanged, KindContainerChanged, KindLateEntered, KindLateDecided,
	KindRunReviewed, KindRunCorrected, KindSignature, KindSignatureRefused, KindReportIssued,
}

// Kinds lists every kind of entry that this weighpost knows.
func Kinds() []Kind { return slices.Clone(kinds) }

// knownKinds spares ParseEntry a copy of the name of a kind.
var knownKinds = func() map[string]Kind {
	m := map[string]Kind{}
	for _, k := range kinds {
		m[k.Schema()] = k
	}
	return m
}()

// entryHead is what ParseEntry wants of an entry, as it stands between quotes.
type entryHead struct {
	schema, id, site, balance []byte
	seq                       uint64
	seen                      uint8 // one bit a name, so that none is taken twice
}

// The names that ParseEntry looks for at the top of an entry.
var headNames = [...]string{"schema", "id", "seq", "site", "balance"}

// begins marks the bytes with which a name begins that could be taken for one of them: their first letters, and everything
// beyond ASCII, where letters stand that fold into s.
var begins = func() (t [256]bool) {
	for _, n := range headNames {
		t[n[0]], t[n[0]-'a'+'A'] = true, true
	}
	for c := 0x80; c < 256; c++ {
		t[c] = true
	}
	return t
}()

// ParseEntry reads the head of an entry from its exact bytes. It keeps, and does not copy, the bytes.
//
// All of the bytes have to be one JSON object. An entry that gives its schema, id, seq, site or balance twice, also in
// another case or spelt with escapes, is refused: another reader could understand it differently. The errors are
// sentences that name the entry where its sequence is known.
func ParseEntry(raw []byte) (Entry, error) {
	s := scanner{b: raw}
	var h entryHead
	err := s.object(func(name []byte) error { return h.member(&s, name) })
	if s.next(); err == nil && s.i < len(raw) {
		err = s.wrong("more follows after the end of the object")
	}
	if err != nil {
		return Entry{}, fmt.Errorf("an entry cannot be read: %w", err)
	}
	e := Entry{Seq: h.seq, JSON: raw}
	if e.Kind, err = h.kind(); err != nil {
		return Entry{}, err
	}
	if e.ID, err = unquote(h.id); err == nil {
		e.Balance, err = unquote(h.balance)
	}
	if err != nil {
		return Entry{}, fmt.Errorf("entry %d cannot be read: %w", h.seq, err)
	}
	if e.Seq == 0 || e.ID == "" {
		return Entry{}, fmt.Errorf("an entry has the sequence %d and the id %q: it was never given its place in a journal", e.Seq, e.ID)
	}
	return e, nil
}

// member takes one member of the entry.
func (h *entryHead) member(s *scanner, name []byte) error {
	which, err := h.which(s, name)
	if err != nil {
		return err
	}
	if which >= 0 && s.next() == 'n' {
		return s.value(1) // null says nothing
	}
	switch which {
	case 0:
		h.schema, err = s.quoted("schema")
	case 1:
		h.id, err = s.quoted("id")
	case 2:
		h.seq, err = s.unsigned()
	case 3:
		h.site, err = s.quoted("site")
	case 4:
		var about entryHead
		err = s.object(func(name []byte) error { return about.balanceMember(s, name) })
		h.balance = about.id
	default:
		err = s.value(maxDepth)
	}
	return err
}

// balanceMember takes one member of the entry's balance, of which only the id counts.
func (h *entryHead) balanceMember(s *scanner, name []byte) error {
	which, err := h.which(s, name)
	switch {
	case err != nil:
		return err
	case which == 1 && s.next() != 'n':
		h.id, err = s.quoted("the id of the balance")
		return err
	}
	return s.value(maxDepth)
}

// which gives the place of a name in headNames, or -1. It refuses a name that is there for the second time, or that a
// more lenient reader could take for one of them.
func (h *entryHead) which(s *scanner, name []byte) (int, error) {
	if bytes.IndexByte(name, '\\') >= 0 {
		return 0, s.wrong("the name of a member is written with escapes")
	}
	if len(name) > 0 && !begins[name[0]] {
		return -1, nil
	}
	for i, n := range headNames {
		if len(name) < len(n) || !strings.EqualFold(n, string(name)) {
			continue
		}
		if string(name) != n {
			return 0, s.wrong("the name " + strconv.Quote(string(name)) + " could be taken for " + n)
		}
		if h.seen&(1<<i) != 0 {
			return 0, s.wrong("the name " + n + " is there twice")
		}
		h.seen |= 1 << i
		return i, nil
	}
	return -1, nil
}

// quoted consumes a string and gives what stands between its quotes.
func (s *scanner) quoted(name string) ([]byte, error) {
	if s.next() != '"' {
		return nil, s.wrong(name + " is no text")
	}
	return s.text()
}

// unsigned consumes a whole number from 0.
func (s *scanner) unsigned() (uint64, error) {
	if c := s.next(); c < '0' || c > '9' {
		return 0, s.wrong("seq is no whole number")
	}
	start := s.i
	if err := s.number(); err != nil {
		return 0, err
	}
	n, err := strconv.ParseUint(string(s.b[start:s.i]), 10, 64)
	if err != nil {
		return 0, s.wrong("seq is no whole number that can be counted to")
	}
	return n, nil
}

// kind reads the schema.
func (h *entryHead) kind() (Kind, error) {
	if k, ok := knownKinds[string(h.schema)]; ok {
		return k, nil
	}
	schema, err := unquote(h.schema)
	if err != nil {
		return "", fmt.Errorf("entry %d cannot be read: %w", h.seq, err)
	}
	name, found := strings.CutPrefix(schema, schemaPrefix)
	name, version, versioned := strings.Cut(name, "/")
	if !found || !versioned || name == "" {
		return "", fmt.Errorf("an entry has the schema %q, which is none of weighpost's", schema)
	}
	if "/"+version != schemaVersion {
		return "", fmt.Errorf("entry %d has the schema %q: this weighpost is too old to read it", h.seq, schema)
	}
	return Kind(name), nil
}
