package console

import (
	"slices"

	"weighpost/gateway/health"
)

var stoppers = []string{health.RecordingStopped, health.RecordingStuck, health.ReadingsNotRecorded}

// StopsRecording says whether readings are not recorded while the condition, or what comes from it, holds. A port that is
// missing is no such condition: there is nothing to record, and the other balances go on. Nor is a journal that a sink cannot
// read.
func StopsRecording(c health.Condition) bool {
	return c.Any(func(c *health.Condition) bool {
		return c.Severity == health.Error && slices.Contains(stoppers, c.Code)
	})
}

// conditions lists what is wrong as a person is told of it, on the page and by /readyz alike: first what keeps weighings
// from being recorded, then as the board orders it.
func (s *Server) conditions() (list []health.Condition, recording bool) {
	all := s.deps.Conditions.List()
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
