// Package ceremony has somebody sign: it makes the statement that they are shown, sees that what was shown is what there is to sign, has them
// show who they are, and makes the signature. It appends nothing: the room of reviews does, together with the act that is signed, or neither.
package ceremony

import (
	"context"
	"fmt"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/review"
	"weighpost/gateway/rights"
	"weighpost/gateway/signature"
)

// Journal is what is needed of the journal.
type Journal interface {
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
}

// Ceremony is how somebody signs. Its methods may be called from any goroutine.
type Ceremony struct {
	Journal Journal
	Stamp   func() record.Stamp
	Place   func(now time.Time) string // IANA name of the place's time zone, "": unknown
}

// Shows says who signs, once they have shown it: access.Book.Sign, or what a provider said. Its errors are handed on as they are.
type Shows func(ctx context.Context, who rights.Who, in rights.Signing) (rights.Signed, error)

// Statement is what somebody is shown who would sign: what the entries of a run say, which signature.Covers has picked, and that it is they
// who sign, with this meaning. The error is a *record.NotDone: there is nothing to sign yet.
func Statement(entries []record.Entry, meaning string, by record.Actor) (text string, facts signature.Facts, err error) {
	if facts, err = signature.Of(entries); err != nil {
		return "", facts, &record.NotDone{Why: err.Error()}
	}
	return signature.Statement(facts, signature.Signer{Meaning: meaning, Name: by.Shown(), Role: by.Role}), facts, nil
}

// Signs is how somebody signs a proposal, for the room of reviews. shown is the hash of the statement that they were shown. Its errors are
// those of shows, and a *record.NotDone where the run, or their own name or role, is not as it was shown: before they show who they are, and once
// more when the signature is made, since the run may have changed while a directory was asked.
func (c Ceremony) Signs(who rights.Who, in rights.Signing, shown string, shows Shows) func(ctx context.Context, p review.Proposal) (review.Sign, error) {
	return func(ctx context.Context, p review.Proposal) (review.Sign, error) {
		entries, err := c.entries(ctx, p.Covers)
		if err != nil {
			return nil, err
		}
		if _, _, err := same(entries, p.Meaning, who.Actor, shown); err != nil {
			return nil, err
		}
		in.Run, in.Balance, in.Meaning = p.Run, p.Balance, p.Meaning
		signed, err := shows(ctx, who, in)
		if err != nil {
			return nil, err
		}
		return func(ctx context.Context, p review.Proposal) (*record.Signature, error) {
			return c.sign(ctx, p, signed, shown)
		}, nil
	}
}

// sign makes the signature of somebody who has shown who they are.
func (c Ceremony) sign(ctx context.Context, p review.Proposal, signed rights.Signed, shown string) (*record.Signature, error) {
	entries, err := c.entries(ctx, p.Covers)
	if err != nil {
		return nil, err
	}
	by := signed.Who.Actor
	text, facts, err := same(entries, p.Meaning, by, shown) // a directory may have said just now that name or role are others
	if err != nil {
		return nil, err
	}
	at := c.Stamp()
	return &record.Signature{Run: p.Run, Balance: p.Balance, Request: p.Request, Meaning: p.Meaning, Statement: text, Covers: facts.Covers, Name: by.Shown(), Role: by.Role,
		Login: signed.Login, How: signed.How, Directory: signed.Directory, Session: signed.Who.Session, By: by, Zone: c.Place(at.UTC.Time()), Stamp: at}, nil
}

// same gives the statement as it is now, if it is the one that was shown.
func same(entries []record.Entry, meaning string, by record.Actor, shown string) (string, signature.Facts, error) {
	text, facts, err := Statement(entries, meaning, by)
	if err == nil && signature.Hash(text) != shown {
		err = &record.NotDone{Why: "what you were shown to sign is not what there is to sign now: the run, or your own name or role, changed meanwhile. Look at it again"}
	}
	return text, facts, err
}

// entries reads what a signature would cover.
func (c Ceremony) entries(ctx context.Context, seqs []uint64) (list []record.Entry, err error) {
	for _, seq := range seqs {
		some, err := c.Journal.Read(ctx, seq-1, 1)
		if err == nil && (len(some) == 0 || some[0].Seq != seq) {
			err = fmt.Errorf("the journal does not have entry %d, which the signature would cover", seq)
		}
		if err != nil {
			return nil, err
		}
		list = append(list, some[0])
	}
	return list, nil
}
