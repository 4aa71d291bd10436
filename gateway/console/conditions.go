package console

import (
	"slices"

	"weighpost/gateway/health"
)

// What keeps weighings from being recorded: those of all balances, and those of the balance that the condition is about.
var (
	stopAll  = []string{health.RecordingStopped, health.RecordingStuck}
	stopOne  = []string{health.ReadingsNotRecorded}
	stoppers = slices.Concat(stopAll, stopOne)
)

// Stoppers are the codes of conditions that keep weighings from being recorded while they are errors: those of all balances, and
// those of the balance that the condition is about.
func Stoppers() (all, one []string) { return slices.Clone(stopAll), slices.Clone(stopOne) }

// StopsBalance says whether readings of a balance are not recorded while the condition, or what comes from it, holds.
func StopsBalance(c health.Condition, balance string) bool {
	return c.Any(func(c *health.Condition) bool {
		return c.Severity == health.Error && (slices.Contains(stopAll, c.Code) || slices.Contains(stopOne, c.Code) && c.Subject == balance)
	})
}

// StopsRecording says whether readings are not recorded while the condition, or what comes from it, holds. A port that is
// missing is no such condition: there is nothing to record, and the other balances go on. Nor is a journal that a sink cannot
// read.
func StopsRecording(c health.Condition) bool {
	return c.Any(func(c *health.Condition) bool {
		return c.Severity == health.Error && slices.Contains(stoppers, c.Code)
	})
}

func (s *Server) conditions() (list []health.Condition, recording bool) {
	return ToldInOrder(s.deps.Conditions.List())
}

// ToldInOrder lists what is wrong as a person is told of it, on pages and by /readyz alike: first what keeps weighings from being
// recorded, then as the board orders it.
func ToldInOrder(all []health.Condition) (list []health.Condition, recording bool) {
	list = make([]health.Condition, 0, len(all))
	for _, c := range all {
		if StopsRecording(c) {
			list = append(list, c)
		}
	}
	recording = len(list) == 0
	for _, c := range all {
		if !StopsRecording(c) {
			list = append(list, c)
		}
	}
	return list, recording
}
