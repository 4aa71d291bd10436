package dropped

import (
	"bytes"
	"context"
	"errors"

	"weighpost/gateway/record"
)

// order takes requests for runs, one after the other. After an interruption those of which the journal has an entry are not carried out again; those
// of which it has none were refused, or came before as they are, or are still to be carried out: sent again, nothing comes of them twice.
func (r *Room) order(ctx context.Context, j *job, b []byte) error {
	list, _, err := record.ParseLabRequests(bytes.TrimPrefix(b, []byte("\ufeff")), j.by.ID)
	if err != nil {
		return err // it was read before
	}
	j.Runs = make([]RunOutcome, 0, len(list))
	for i, one := range list {
		o := RunOutcome{Number: i + 1}
		o.RequestRef = one.Request.RequestRef
		err := r.ordered(ctx, j, i, one, &o)
		var unknown *errUnknown
		if errors.As(err, &unknown) {
			delete(r.fresh, j.id)
			return err
		}
		if o.OK = err == nil; !o.OK {
			o.Why = sentence(err.Error())
		}
		j.Runs = append(j.Runs, o)
	}
	return nil
}

// ordered takes one. The error says why it was refused, or is an *errUnknown.
func (r *Room) ordered(ctx context.Context, j *job, i int, one record.RequestSent, o *RunOutcome) error {
	for _, f := range j.found[j.mark(i+1)] {
		o.Entry, o.Note = f.ID, "It was carried out, as the journal tells; weighpost was interrupted meanwhile, so ask how the request stands now."
		return nil
	}
	switch {
	case one.Err != nil:
		return one.Err
	case one.Request.From != j.by.ID:
		return errors.New("requests of this folder are those of " + j.by.ID + ": leave from out")
	case j.altered:
		return errors.New("the file was changed after a part of it had been carried out: nothing more of it is")
	case i < j.after && (one.Change != nil || one.Cancel != ""):
		return errors.New("it changed nothing or was refused before weighpost was interrupted; what stands after it in the file was carried out")
	case !r.o.Ready():
		return &errUnknown{j.name, errors.New("weighpost stops")}
	}
	limit, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	stands, err := r.o.Gateway.SendRequest(limit, one, *j.actor(i + 1))
	var not *record.NotDone
	switch {
	case err == nil:
		o.RequestStands = stands
		return nil
	case errors.As(err, &not) || errors.Is(err, record.ErrNoRequest):
		return err
	}
	return &errUnknown{j.name, err}
}
