package access

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// ReviewAccounts notes that somebody looked over who has an account, which keys there are, and what they may do (21 CFR 11.300(b):
// "periodically checked, recalled, or revised"). It needs the right review-accounts. Nothing else changes by it.
func (b *Book) ReviewAccounts(ctx context.Context, who rights.Who, r rights.AccountReview) (*record.AccountsReviewed, error) {
	if err := who.May(rights.ReviewAccounts); err != nil {
		return nil, err
	}
	switch findings := []rune(r.Findings); {
	case strings.TrimSpace(r.Findings) == "":
		return nil, refuse("a review says what was found: that all is as it should be, or what is not")
	case len(findings) > 4000:
		return nil, refuse("the findings have %d characters: at most 4000 are allowed", len(findings))
	}
	body := &record.AccountsReviewed{At: r.At, Findings: r.Findings, Changes: r.Changes, By: who.Actor}
	_, err := b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		if head := b.o.Journal.Head(); r.At > head {
			return nil, refuse("the review says that it saw entry %d, and the journal ends with %d", r.At, head)
		}
		if r.At == 0 {
			body.At = b.o.Journal.Head()
		}
		for id, a := range s.People {
			if a.Seq > body.At {
				return nil, &rights.Conflict{What: "the account " + id, Seen: body.At, Now: a.Seq}
			}
		}
		for _, id := range r.Changes {
			if s.People[id] == nil && s.Keys[id] == nil {
				return nil, refuse("there is no account and no key %.60q that could be changed", id)
			}
		}
		body.People, body.Keys, body.Stamp = len(s.People), len(s.Keys), at
		if every := b.o.Config().Review.Every.D(); every > 0 {
			due := record.UTC(at.UTC.Time().Add(every))
			body.Due = &due
		}
		return one(body), nil
	}, nil)
	if err != nil {
		return nil, err
	}
	return body, nil
}

// AccountReviews gives the reviews that were noted, the oldest first. It needs the right read-people.
func (b *Book) AccountReviews(ctx context.Context, who rights.Who) ([]*record.AccountsReviewed, error) {
	if err := who.May(rights.ReadPeople); err != nil {
		return nil, err
	}
	var seqs []uint64
	b.look(func(s *state) {
		for _, r := range s.Reviews {
			seqs = append(seqs, r.Seq)
		}
	})
	list := []*record.AccountsReviewed{}
	for _, seq := range seqs {
		entries, err := b.o.Journal.Read(ctx, seq-1, 1)
		if err != nil {
			return nil, err
		}
		body := new(record.AccountsReviewed)
		if len(entries) != 1 || json.Unmarshal(entries[0].JSON, body) != nil {
			return nil, fmt.Errorf("the review in entry %d cannot be read", seq)
		}
		list = append(list, body)
	}
	return list, nil
}

// reviewDue is when accounts are to be looked over, the zero time where it is never said.
func (s *state) reviewDue(every time.Duration) time.Time {
	if every == 0 || s.First.Time().IsZero() {
		return time.Time{}
	}
	last := s.First.Time()
	if n := len(s.Reviews); n > 0 {
		last = s.Reviews[n-1].At.Time()
	}
	return last.Add(every)
}
