package console

import (
	"slices"

	"weighpost/gateway/health"
)

const recordingStopped, recordingStuck, readingsNotRecorded = "recording-stopped", "recording-stuck", "readings-not-recorded"

// StopsRecording says whether readings are not recorded while the condition holds. A port that is missing is no such
// condition: there is nothing to record, and the other balances go on. Nor is a journal that a sink cannot read.
func StopsRecording(c health.Condition) bool {
	return c.Severity == health.Error && (c.Code == recordingStopped || c.Code == recordingStuck || c.Code == readingsNotRecorded)
}

// conditions lists what is wrong as a person is told of it, on the page and by /readyz alike: first what keeps weighings
// from being recorded, then as the board orders it. While recording is stopped altogether, the same stop told once for each
// balance is left out.
func (s *Server) conditions() (list []health.Condition, recording bool) {
	all := s.deps.Conditions.List()
	stopped := slices.ContainsFunc(all, func(c health.Condition) bool { return c.Code == recordingStopped && StopsRecording(c) })
	all = slices.DeleteFunc(all, func(c health.Condition) bool { return stopped && c.Code == readingsNotRecorded })
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
