package mqtt

import (
	"context"
	"errors"
	"fmt"
	"time"

	"weighpost/gateway/record"
)

// Requests for the weight that a balance shows now.

const (
	readRoom = 8 // of one balance that may wait, that which is being asked included
	// readLimit is how long an answer may take: the longest wait for a load to rest, and two questions with the longest times
	// that a configuration can give them.
	readLimit = 3 * time.Minute
)

// nothingDone says that a request was not carried out.
func (a act) nothingDone() string {
	switch a {
	case actRead:
		return "the balance was not asked"
	case actRuns:
		return "nothing was taken"
	}
	return "nothing was changed"
}

// read has the balance asked. done says that it answered, or that it is not known whether its answer is recorded.
func (d *desk) read(ctx context.Context, r request, asked asked) (a answer, done bool) {
	a.Request = asked.mark
	if asked.read.Record && !d.records {
		a.Why = "Weighings are not recorded over this broker, so balance " + r.balance + " was not asked: its destination needs requests_record: true."
		d.noteRefused(r, a.Why)
		return a, false
	}
	q := asked.read
	q.Where = r.topic
	if asked.mark != "" {
		q.Mark = record.RequestMark("broker "+r.balance, asked.mark, string(r.payload))
	}
	ctx, cancel := context.WithTimeout(ctx, readLimit)
	defer cancel()
	weight, err := d.reader.Read(ctx, r.balance, q)
	if err == nil {
		a.Accepted, a.Read = true, &weight
		return a, true
	}
	why, refused, known := whyNotRead(r.balance, q.Record, err)
	a.Why = why
	if refused && q.Record {
		d.noteRefused(r, why)
	}
	return a, !known
}

// whyNotRead words why there is no weight. refused says that weighpost would not ask or take the answer, and known that nothing
// is recorded for the request.
func whyNotRead(balance string, recorded bool, err error) (why string, refused, known bool) {
	var not *record.AskRefused
	var early *record.ContextRefused
	var none *record.NoAnswer
	switch {
	case errors.Is(err, record.ErrNoBalance):
		return noBalance(balance), true, true
	case errors.As(err, &not):
		return not.Why, true, true
	case errors.As(err, &early):
		return early.Why, false, true
	case errors.As(err, &none):
		return none.Why, false, true
	case recorded:
		return fmt.Sprintf("It is not known whether a weighing is recorded: %v. See the journal before it is asked for again.", err), false, false
	}
	return fmt.Sprintf("The balance gave no weight: %v.", err), false, true
}

// noteRefused has it noted that a weighing was not recorded.
func (d *desk) noteRefused(r request, why string) {
	d.reader.Refused("a recorded weight of balance "+r.balance, d.sink, r.topic, why)
}
