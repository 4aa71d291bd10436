package journal

import (
	"encoding/json"
	"fmt"

	"weighpost/gateway/record"
)

// lifeline holds the incarnations of consecutive entries against each other: another one begins with the entry that says so,
// and none comes back.
type lifeline struct {
	now   string          // of the last entry; "" before the first
	begun bool            // now began within what was read
	over  map[string]bool // incarnations that ended within what was read
}

// take says what is wrong with the incarnation in the id of the next entry, or "".
func (l *lifeline) take(incarnation string, e record.Entry) string {
	if e.Kind != record.KindRestored {
		if l.now == "" {
			l.now = incarnation
		}
		if incarnation == l.now {
			return ""
		}
		return fmt.Sprintf("its id %q is of incarnation %s, and the entries before are of %s: only an entry that says so begins another",
			e.ID, incarnation, l.now)
	}
	r, err := readRestored(e)
	before := l.now
	switch {
	case err != nil:
		return err.Error()
	case r.Incarnation != incarnation:
		return fmt.Sprintf("it begins incarnation %s, and its id %q is of another", r.Incarnation, e.ID)
	case before != "" && r.Predecessor.Incarnation != before:
		return fmt.Sprintf("it follows incarnation %s, and the entries before are of %s", r.Predecessor.Incarnation, before)
	case r.Predecessor.Incarnation == incarnation || l.over[incarnation]:
		return fmt.Sprintf("it begins incarnation %s for the second time: its ids could be given twice", incarnation)
	case r.Predecessor.Origin == r.Origin:
		return fmt.Sprintf("its checkpoints and those before it have one origin, %q", r.Origin)
	}
	if l.over == nil {
		l.over = map[string]bool{}
	}
	l.over[r.Predecessor.Incarnation] = true
	l.now, l.begun = incarnation, true
	return ""
}

// knows says whether an incarnation is, or was, one of those that were read.
func (l *lifeline) knows(incarnation string) bool { return incarnation == l.now || l.over[incarnation] }

// readRestored reads an entry that begins another life.
func readRestored(e record.Entry) (record.Restored, error) {
	var r record.Restored
	if err := json.Unmarshal(e.JSON, &r); err != nil {
		return r, fmt.Errorf("it says that another incarnation begins, and cannot be read: %w", err)
	}
	if r.Cause != record.LifeRestored && r.Cause != record.LifeCloned {
		return r, fmt.Errorf("it says that another incarnation begins, and gives %q as the cause", r.Cause)
	}
	if record.CheckName(r.Incarnation) != nil || record.CheckName(r.Predecessor.Incarnation) != nil || r.Origin == "" ||
		r.Predecessor.Origin == "" {
		return r, fmt.Errorf("it says that another incarnation begins, and does not name both of them")
	}
	return r, nil
}
