package record

// The rules by which what a step of a run found is judged.
const (
	RuleLimits  = "limits"               // at_least, at_most, matches
	RuleWarning = "warning"              // warn_below, warn_above
	RuleTarget  = "target"               // the target with its tolerance
	RuleMinimum = "minimum-weight"       // of the balance
	RuleKnown   = "minimum-weight-known" // where a weight below it is refused, and nobody can say which that would be
	RuleReplies = "replicates"           // the replicate rule of a block that values come from
	RuleLoop    = "led back"             // a decision that may lead back no more
)

// RuleStops says whether a run may not simply go on with a value that a rule did not pass. What another rule did not pass is a warning.
func RuleStops(rule string) bool {
	switch rule {
	case RuleLimits, RuleTarget, RuleLoop, RuleKnown:
		return true
	}
	return false
}

// WorstOf says in one word what the verdicts on a value of a run come to: passed, warned, failed, or not judged. That a weight is not below the
// minimum weight says nothing yet of the value.
func WorstOf(all []Verdict) string {
	word := NotJudged
	for i := range all {
		switch v := &all[i]; {
		case v.NotJudged:
		case v.Failed() && RuleStops(v.Rule):
			return CheckFailed
		case v.Failed():
			word = CheckWarned
		case word == NotJudged && v.Rule != RuleMinimum:
			word = CheckPassed
		}
	}
	return word
}
