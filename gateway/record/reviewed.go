package record

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// TrailReviewed says that somebody looked over a span of entries, and what they found.
type TrailReviewed struct {
	Head
	From uint64 `json:"from"` // sequence of the first entry that was looked over
	To   uint64 `json:"to"`   // of the last
	// Filter says in words which of them were looked over, and Query the same as parameters of a request; absent: all.
	Filter string `json:"filter,omitempty"`
	Query  string `json:"query,omitempty"`
	// TreeSize and Root are the head of the journal that the reviewer saw: what was reviewed is as it was while a journal
	// extends it. Checkpoint is the signed note that says the same.
	TreeSize   uint64 `json:"tree_size"`
	Root       string `json:"root"` // base64, as in the note
	Checkpoint string `json:"checkpoint"`
	Findings   string `json:"findings"`
	Reason     string `json:"reason,omitempty"` // why, or with which meaning: "monthly review", "before the audit"
	By         Actor  `json:"by"`
	Stamp      Stamp  `json:"stamp"`
}

func (t *TrailReviewed) Kind() Kind      { return KindTrailReviewed }
func (t *TrailReviewed) Subject() string { return "" }
func (t *TrailReviewed) Time() time.Time { return t.Stamp.UTC.Time() }

// ReviewRequest asks to note a review.
type ReviewRequest struct {
	By       string // who reviewed
	To       uint64 // the last entry that was looked over; 0: the last that there is
	Findings string
	Reason   string
	// Filter holds parameters of a list, as kind=weighing&balance=b-12: what of the entries was looked over; "": all.
	Filter string
}

const maxFindings = 4000 // characters

// checkFindings says why a text cannot be what a reviewer found, or nil. It may have several lines.
func checkFindings(text string) error {
	if strings.TrimSpace(text) == "" {
		return errors.New("are empty: say in words what was found, also that nothing was")
	}
	return checkText(strings.NewReplacer("\n", " ", "\t", " ").Replace(text), maxFindings)
}

// Check says in a sentence why a review cannot be noted as asked for, or nil.
func (r *ReviewRequest) Check() error {
	if r.By != "" {
		if err := CheckActorName(r.By); err != nil {
			return fmt.Errorf("by, who reviewed, %w", err)
		}
	}
	if err := checkFindings(r.Findings); err != nil {
		return fmt.Errorf("findings %w", err)
	}
	if r.Reason != "" {
		if err := CheckReason(r.Reason); err != nil {
			return fmt.Errorf("the reason %w", err)
		}
	}
	return nil
}

// ParseReviewRequest reads the JSON form of a request: {"by": "ada", "to": 90211, "findings": "nothing unusual", "reason":
// "monthly review", "filter": "kind=configured"}. Without to it is up to the last entry. Unknown names and names that are
// there twice are refused. The error is a sentence.
func ParseReviewRequest(b []byte) (ReviewRequest, error) {
	var r ReviewRequest
	s := scanner{b: b}
	err := s.whole("the request", func(name string) (err error) {
		switch name {
		case "by":
			r.By, err = s.string(name)
		case "findings":
			r.Findings, err = s.string(name)
		case "reason":
			r.Reason, err = s.string(name)
		case "filter":
			r.Filter, err = s.string(name)
		case "to":
			r.To, err = s.sequence(name)
			if err == nil && r.To == 0 {
				err = errors.New("to is 0: entries count from 1; leave it out for the last one")
			}
		default:
			err = s.wrong(fmt.Sprintf("%q is unknown: a review has by, to, findings, reason and filter", name))
		}
		return err
	})
	if err == nil {
		err = r.Check()
	}
	return r, err
}
