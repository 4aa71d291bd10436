package journal

import (
	"context"
	"fmt"
	"unicode/utf8"

	"weighpost/gateway/record"
)

// goalPrefix begins the names in the table meta that say what a cursor is for. It stands there, beside incarnation and
// origin, because a table of its own would lock older versions out for the sake of one text a sink.
const goalPrefix = "goal/"

// settleOrder puts a cursor somewhere, also back, and says what it is for.
type settleOrder struct {
	cursor string
	seq    uint64
	goal   string
}

// Goal gives what Settle was told that a reader's cursor is for: "" where it was never told.
func (j *Journal) Goal(name string) (string, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.goals[name], nil
}

// Settle puts a reader's cursor somewhere, also back, and notes what it is for: a text of 1 to 4096 bytes that means
// something to the reader. The bodies are appended in the same commit, and all of it is durable when Settle returns without
// an error; other errors are those of Append. Entries after seq come again, so none of them counts as parked any more.
func (j *Journal) Settle(ctx context.Context, name string, seq uint64, goal string, bodies ...record.Body) error {
	if err := checkCursor(name); err != nil {
		return err
	}
	if goal == "" || len(goal) > 4096 || !utf8.ValidString(goal) {
		return fmt.Errorf("what the cursor of %s is for has 1 to 4096 bytes of UTF-8, not %d", name, len(goal))
	}
	if head := j.Head(); seq > head {
		return fmt.Errorf("the cursor of %s cannot be set to %d: the journal ends with entry %d", name, seq, head)
	}
	_, err := j.ask(ctx, &request{bodies: bodies, settle: &settleOrder{cursor: name, seq: seq, goal: goal}})
	return err
}

// settled shows what a commit made of a cursor.
func (j *Journal) settled(s settleOrder) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.cursors[s.cursor], j.goals[s.cursor] = s.seq, s.goal
}

// SetAside counts what is parked for a reader, and gives the sequence of the newest entry that says so.
func (j *Journal) SetAside(name string) (n int, notice uint64, err error) {
	list, err := j.Parked(name)
	for _, p := range list {
		notice = max(notice, p.Notice)
	}
	return len(list), notice, err
}
