package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// judge holds the closed journal and what arrived behind each sink against what the balances printed.
func (l *lab) judge(ctx context.Context, took time.Duration) (Report, error) {
	r := Report{Balances: len(l.all()), Sinks: map[string]Delivered{}, Seconds: took.Round(100 * time.Millisecond).Seconds()}
	truth, noise := make(map[string][]printed), 0
	for _, b := range l.all() {
		truth[b.id] = b.truth
		r.Printed += len(b.truth)
		for _, p := range b.truth {
			if p.meant.person != (tie{}) {
				r.WithPerson++
			}
			if p.meant.sample != (tie{}) {
				r.WithSample++
			}
		}
		noise += b.noise
	}
	if l.o.Dir != "" {
		r.Kept = l.dir
	}
	if err := l.files.readFolder(l.at.folder); err != nil {
		return r, fmt.Errorf("the demo's folder cannot be read: %w", err)
	}
	kept, err := l.readJournal(ctx, &r)
	if err != nil {
		return r, err
	}
	own := judge(truth, kept.arrivals)
	r.Recorded, r.Lost, r.Strange = own.delivered, own.lost, own.strange
	r.WrongPerson, r.WrongSample = own.person, own.sample
	for kind, behind := range map[string]*receiver{"mqtt": &l.mqtt, "files": &l.files, "http": &l.http} {
		ruling := judge(truth, behind.arrivals)
		r.Sinks[kind] = Delivered{ruling.delivered}
		r.Lost += ruling.lost
		r.Strange += ruling.strange
		r.Duplicates += ruling.duplicates
		r.WrongPerson += ruling.person
		r.WrongSample += ruling.sample
		r.Faults = append(r.Faults, faultsOf(kind, behind)...)
	}
	if r.Unread != noise {
		r.Faults = append(r.Faults, fmt.Sprintf("the balances printed %d lines that no layout explains, and the journal holds %d unread frames", noise, r.Unread))
	}
	if l.day.stopped != "" {
		r.Faults = append(r.Faults, l.day.stopped+" (it is a fault, unless somebody else was at the bench while the demo ran)")
	}
	return r, nil
}

// readJournal verifies the journal, counts what it holds, and gives its weighings.
func (l *lab) readJournal(ctx context.Context, r *Report) (kept *receiver, err error) {
	found, err := journal.Verify(ctx, l.at.journal, "", nil)
	if err != nil {
		return nil, err
	}
	r.JournalVerified = found.Verified
	for _, f := range found.Faults {
		r.Faults = append(r.Faults, fmt.Sprintf("journal, entry %d: %s", f.Seq, f.What))
	}
	kept = &receiver{}
	var requests []string // ids of entries about requests
	err = journal.Scan(ctx, l.at.journal, 0, func(e record.Entry) error {
		switch e.Kind {
		case record.KindWeighing:
			kept.take(e.JSON)
		case record.KindUnread:
			r.Unread++
		case record.KindRequestChanged:
			requests = append(requests, e.ID)
		case record.KindRunEnded:
			ended := struct{ State string }{}
			if json.Unmarshal(e.JSON, &ended) == nil && ended.State == record.RunComplete {
				r.Runs++
			}
		}
		return nil
	})
	missing := 0
	if r.Requests, r.Answers, missing = l.day.system.heard(requests); missing > 0 {
		r.Faults = append(r.Faults, fmt.Sprintf("%d entries about requests did not come back to the lab system", missing))
	}
	return kept, err
}
