package bundle

import (
	"cmp"

	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// content is what a pass over the entries of a bundle finds for its head and for the report.
type content struct {
	kinds       map[record.Kind]bool
	corrections record.Corrections

	// Of the run that the bundle is of.
	begun      *record.RunBegun
	ended      *record.RunEnded
	corrected  *record.RunCorrected // the last
	state      string
	signatures []underRun
}

// underRun is a signature under the run, with why it is no longer in force; "": it is.
type underRun struct {
	record.Signature
	over string
}

// ends notes what has the signatures so far no longer in force.
func (c *content) ends(b record.Body) {
	why := signature.Ends(b)
	for i := range c.signatures {
		c.signatures[i].over = cmp.Or(c.signatures[i].over, why)
	}
}

// take looks at the next entry.
func (c *content) take(a *About, e record.Entry) error {
	if c.kinds == nil {
		c.kinds = map[record.Kind]bool{}
	}
	c.kinds[e.Kind] = true
	if err := c.corrections.Add(e); err != nil {
		return err
	}
	if a.Of != OfRun || !Names(e, a.Run) {
		return nil
	}
	switch e.Kind {
	case record.KindRunBegun:
		b, err := body[record.RunBegun](e)
		c.begun, c.state = &b, record.RunOpen
		return err
	case record.KindRunEnded:
		b, err := body[record.RunEnded](e)
		c.ended, c.state = &b, b.State
		return err
	case record.KindRunCorrected:
		b, err := body[record.RunCorrected](e)
		c.corrected, c.state = &b, cmp.Or(b.To, c.state)
		c.ends(&b)
		return err
	case record.KindRunReviewed:
		b, err := body[record.RunReview](e)
		if b.Run.ID == a.Run {
			c.state = cmp.Or(b.To, c.state)
			c.ends(&b)
		}
		return err
	case record.KindSignature:
		b, err := body[record.Signature](e)
		c.signatures = append(c.signatures, underRun{Signature: b})
		return err
	}
	return nil
}

// stand gives the results of the run as they stand: after every correction.
func (c *content) stand() (list []record.RunResult, verdict string) {
	switch {
	case c.corrected != nil:
		return c.corrected.Results, c.corrected.Verdict
	case c.ended != nil:
		return c.ended.Results, c.ended.Verdict
	}
	return nil, ""
}
