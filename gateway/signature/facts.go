package signature

import (
	"encoding/json"
	"errors"
	"fmt"

	"weighpost/gateway/record"
)

// Facts are what a run's entries say of it as it stands: what whoever signs is shown.
type Facts struct {
	Site    string
	Run     record.RunRef
	Items   []record.RunItem
	State   string // complete, abandoned, in review …
	Verdict string
	Results []record.RunResult
	// Corrected is everything that was corrected, in the order in which it was; Excluded are the weighings that are not used now.
	Corrected []Correction
	Excluded  []record.EntryRef
	Covers    record.Covered
}

// Correction is one entry of kind run-corrected, in few words.
type Correction struct {
	Change, Of, Field, Before, After, Reason, Comment, Ref, By string
}

// Signer is who signs, and what they mean by it.
type Signer struct{ Meaning, Name, Role string }

// ErrNotOver says that the steps of a run are not done: nothing can be signed.
var ErrNotOver = errors.New("the steps of this run are not done, or its beginning is missing: there is nothing that could be signed")

// Of tells of a run what its entries say. They are those that Covers has picked, in the order of the journal.
func Of(entries []record.Entry) (Facts, error) {
	var f Facts
	begun, ended := false, false
	for _, e := range entries {
		var err error
		switch e.Kind {
		case record.KindRunBegun:
			begun, err = true, read(e, f.begun)
		case record.KindRunEnded:
			ended, err = true, read(e, f.ended)
		case record.KindRunCorrected:
			err = read(e, f.corrected)
		case record.KindRunReviewed:
			err = read(e, func(r *record.RunReview) { f.State = r.To })
		}
		if err != nil {
			return Facts{}, err
		}
	}
	if !begun || !ended {
		return Facts{}, ErrNotOver
	}
	f.Covers = Cover(entries)
	return f, nil
}

// read hands an entry on as what its kind is.
func read[T any](e record.Entry, take func(*T)) error {
	one := new(T)
	if err := json.Unmarshal(e.JSON, one); err != nil {
		return fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
	}
	take(one)
	return nil
}

func (f *Facts) begun(b *record.RunBegun) { f.Site, f.Run, f.Items = b.Site, b.Run, b.Items }

func (f *Facts) ended(e *record.RunEnded) {
	f.Items, f.State, f.Verdict, f.Results = e.Items, e.State, e.Verdict, e.Results
}

func (f *Facts) corrected(c *record.RunCorrected) {
	f.State, f.Verdict, f.Results, f.Excluded = c.To, c.Verdict, c.Results, c.Excluded
	f.Corrected = append(f.Corrected, Correction{Change: c.Change, Of: c.Of.ID, Field: c.Field, Before: c.Before, After: c.After, Reason: c.Reason,
		Comment: c.Comment, Ref: c.Ref, By: c.By.Shown()})
}
