package report

import (
	"encoding/json"
	"fmt"

	"weighpost/gateway/record"
)

// sorted are entries, read and sorted by what they are.
type sorted struct {
	weighings  []weighed
	unread     []*record.Unread
	unreadMore []*record.UnreadSummary
	ended      []*record.RunEnded
	corrected  []*record.RunCorrected
	reviewed   []*record.RunReview
	signed     []*record.Signature
	turnedDown map[string]*record.LateDecided // slips that a second person turned down, by their id
	confirmed  map[string]*record.LateDecided
}

// weighed is a weighing, a result, or a weight that was typed in from its slip.
type weighed struct {
	record.Weighing
	late   *record.LateEntered // it was typed in
	result bool                // it is no mass
}

// sortOut reads entries. Those of kinds that a report tells nothing of beside its trail are passed over.
func sortOut(entries []record.Entry) (s sorted, err error) {
	s.turnedDown, s.confirmed = map[string]*record.LateDecided{}, map[string]*record.LateDecided{}
	for _, e := range entries {
		if err := s.take(e); err != nil {
			return s, fmt.Errorf("entry %d cannot be read: %w. Run: weighpost journal verify", e.Seq, err)
		}
	}
	return s, nil
}

func (s *sorted) take(e record.Entry) (err error) {
	switch e.Kind {
	case record.KindWeighing, record.KindResult:
		w := weighed{result: e.Kind == record.KindResult}
		err = json.Unmarshal(e.JSON, &w.Weighing)
		s.weighings = append(s.weighings, w)
	case record.KindLateEntered:
		l := &record.LateEntered{}
		err = json.Unmarshal(e.JSON, l)
		s.weighings = append(s.weighings, weighed{late: l, Weighing: record.Weighing{Head: l.Head, Balance: l.Balance, Value: l.Value, Context: l.Context, Stamp: l.Stamp}})
	case record.KindLateDecided:
		l := &record.LateDecided{}
		if err = json.Unmarshal(e.JSON, l); l.Confirmed {
			s.confirmed[l.Entered.ID] = l
		} else {
			s.turnedDown[l.Entered.ID] = l
		}
	case record.KindUnread:
		s.unread, err = read(s.unread, e)
	case record.KindUnreadSummary:
		s.unreadMore, err = read(s.unreadMore, e)
	case record.KindRunEnded:
		s.ended, err = read(s.ended, e)
	case record.KindRunCorrected:
		s.corrected, err = read(s.corrected, e)
	case record.KindRunReviewed:
		s.reviewed, err = read(s.reviewed, e)
	case record.KindSignature:
		s.signed, err = read(s.signed, e)
	}
	return err
}

// read adds what an entry says to a list.
func read[T any](list []*T, e record.Entry) ([]*T, error) {
	one := new(T)
	err := json.Unmarshal(e.JSON, one)
	return append(list, one), err
}

// changesOf gives what was changed of one entry, in order.
func (s *sorted) changesOf(id string) (list []*record.RunCorrected) {
	for _, c := range s.corrected {
		if c.Of.ID == id {
			list = append(list, c)
		}
	}
	return list
}

// exclusion gives the change by which an entry does not count now, or nil.
func (s *sorted) exclusion(id string) (by *record.RunCorrected) {
	for _, c := range s.changesOf(id) {
		switch c.Change {
		case record.CorrectExclude:
			by = c
		case record.CorrectInclude:
			by = nil
		}
	}
	return by
}

// because is the reason of a change, in the words of the list and those of whoever gave it.
func because(c *record.RunCorrected) string {
	text := c.Reason
	if c.Comment != "" {
		text += ": " + c.Comment
	}
	if c.Ref != "" {
		text += " (investigation " + c.Ref + ")"
	}
	return known(text)
}
