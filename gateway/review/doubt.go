package review

import (
	"context"
	"fmt"
	"slices"
	"time"

	"weighpost/gateway/record"
)

const patience = 10 * time.Second // for what is done of itself: then it is tried again

// look has the worker look whether there is something to do.
func (r *Room) look() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// work has runs reviewed again that were signed before it was judged that a failed check affects them, until ctx ends.
func (r *Room) work(ctx context.Context) {
	t := time.NewTicker(patience)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-r.wake:
		case <-t.C:
		}
		if err := r.tend(ctx); err != nil && ctx.Err() == nil {
			r.o.Log.Warn("that a run needs review again could not be recorded yet", "err", err)
		}
	}
}

func (r *Room) tend(ctx context.Context) error {
	if !r.view.Ready() {
		return nil
	}
	ids := r.doubted()
	if len(ids) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	done, err := r.view.Take(ctx)
	if err != nil {
		return err
	}
	defer done()
	for _, id := range ids {
		if err := r.settle(ctx, id); err != nil {
			return err
		}
	}
	return nil
}

// doubted lists the runs that were signed, and are affected by a failed check.
func (r *Room) doubted() (ids []string) {
	r.view.Lock()
	defer r.view.Unlock()
	for id, u := range r.runs {
		if u.Doubted != "" && slices.Contains(signedStates, u.State) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids
}

// settle has one run reviewed again, where that is due. Whoever calls it has the token.
func (r *Room) settle(ctx context.Context, id string) error {
	u, err := r.copyOf(id)
	if err != nil || u.Doubted == "" || !slices.Contains(signedStates, u.State) {
		return nil
	}
	a := &record.RunReview{Run: u.Run, Balance: u.Balance, Request: u.Request, Act: record.ActDoubt, From: u.State, To: record.RunReviewAgain,
		Reason: fmt.Sprintf("The check %s failed, and was judged to affect a weighing of this run after it was signed.", u.Doubted), Check: u.Doubted,
		Seen: u.last(), By: record.Actor{By: record.ActorSoftware}, Verdict: u.Verdict, Stamp: r.o.Stamp()}
	if a.TreeSize, a.Root, err = r.o.Head(ctx); err != nil {
		return err
	}
	return r.append(ctx, u, nil, a)
}
