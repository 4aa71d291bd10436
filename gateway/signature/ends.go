package signature

import (
	"encoding/json"
	"fmt"

	"weighpost/gateway/record"
)

// Ends says why signatures that came before an entry of the same run are no longer in force because of it; "" where it leaves them so.
// In force again they never are: whoever stands by the run as it is from then on signs anew.
func Ends(b record.Body) string {
	switch b := b.(type) {
	case *record.RunCorrected:
		return fmt.Sprintf("after it, %s: %s", correctedWords(b), or(b.Reason, "no reason given"))
	case *record.RunReview:
		switch b.Act {
		case record.ActReturn:
			return "after it, the run was returned: " + or(b.Reason, "no reason given")
		case record.ActDoubt:
			return "after it, a failed check was judged to affect the run"
		case record.ActReplace:
			return "after it, another run took the place of this one"
		}
	}
	return ""
}

func correctedWords(c *record.RunCorrected) string {
	switch c.Change {
	case record.CorrectExclude:
		return "a weighing was excluded"
	case record.CorrectInclude:
		return "a weighing was included again"
	case record.CorrectAmend:
		return "the " + or(c.Field, "context") + " of a weighing was amended"
	case record.CorrectReread:
		return "a weighing was read anew by another layout"
	}
	return "the run was corrected"
}

// endedBy is Ends of an entry's bytes.
func endedBy(e record.Entry) (string, error) {
	var b record.Body
	switch e.Kind {
	case record.KindRunCorrected:
		b = &record.RunCorrected{}
	case record.KindRunReviewed:
		b = &record.RunReview{}
	default:
		return "", nil
	}
	if err := json.Unmarshal(e.JSON, b); err != nil {
		return "", fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
	}
	return Ends(b), nil
}
