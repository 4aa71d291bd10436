package tell

import (
	"strings"

	"weighpost/gateway/record"
)

// kindWords says for people what an entry is about. A kind that is not here is told by its own name.
var kindWords = map[record.Kind]string{
	record.KindWeighing:         "weighing",
	record.KindResult:           "result, no mass",
	record.KindUnread:           "frame that could not be read",
	record.KindUnreadSummary:    "frames that could not be read, summed up",
	record.KindPortUp:           "port found",
	record.KindPortDown:         "port lost",
	record.KindGap:              "readings that were not recorded",
	record.KindStart:            "weighpost began",
	record.KindStop:             "weighpost ended",
	record.KindParked:           "delivery refused, entry parked",
	record.KindSinkStopped:      "delivery stopped",
	record.KindSinkResumed:      "delivery works again",
	record.KindSinkMoved:        "delivery has another destination",
	record.KindClockChanged:     "clock changed",
	record.KindContextChanged:   "context changed",
	record.KindConfigured:       "configuration",
	record.KindLayoutChanged:    "layout changed",
	record.KindCommand:          "command to a balance",
	record.KindKeyRotated:       "signing key changed",
	record.KindTimestamped:      "time-stamp from outside",
	record.KindClockCorrected:   "correction of stamps",
	record.KindTrailReviewed:    "audit trail reviewed",
	record.KindBackup:           "backup",
	record.KindRestored:         "journal restored",
	record.KindSealed:           "entries moved to a segment",
	record.KindRecordingStopped: "recording stopped",
	record.KindRecordingResumed: "recording works again",
	record.KindDamage:           "damage found",
	record.KindRefused:          "act refused",
	record.KindPersonChanged:    "account changed",
	record.KindSignedIn:         "signed in",
	record.KindSignedOut:        "signed out",
	record.KindSignInRefused:    "sign-in refused",
	record.KindAPIKeyChanged:    "key of a program changed",
	record.KindAccountsReviewed: "accounts reviewed",
	record.KindSettingsPending:  "change of settings waits",
	record.KindSettingsDecided:  "change of settings decided",
	record.KindSampleAnnounced:  "sample announced",
	record.KindParkedRetried:    "parked entries to go out again",
	record.KindParkedDropped:    "parked entries given up",
	record.KindSinkTried:        "destination tried at once",
	record.KindSinkPaused:       "deliveries paused",
	record.KindSinkContinued:    "deliveries go on",
	record.KindHeldReleased:     "held entries released",
	record.KindSinkAnswered:     "destination answered",
	record.KindWeightChanged:    "reference weight",
	record.KindCheckBegun:       "check begun",
	record.KindCheckStep:        "step of a check",
	record.KindCheckEnded:       "check ended",
	record.KindFitnessChanged:   "balance in or out of service",
	record.KindCheckReminder:    "check due",
	record.KindUpkeep:           "adjusted, moved, repaired or calibrated",
	record.KindAffectedJudged:   "weighings judged after a failed check",
	record.KindFailureClosed:    "failed check closed",
	record.KindProcedureChanged: "version of a procedure",
	record.KindRunBegun:         "run begun",
	record.KindRunStep:          "step of a run",
	record.KindRunEnded:         "run ended",
	record.KindRequestChanged:   "request of a lab system",
	record.KindContainerChanged: "container",
	record.KindLateEntered:      "slip typed in",
	record.KindLateDecided:      "slip confirmed or turned down",
	record.KindRunReviewed:      "review of a run",
	record.KindRunCorrected:     "correction of a run",
	record.KindSignature:        "signature",
	record.KindSignatureRefused: "signature refused",
	record.KindReportIssued:     "report",
}

// Kind names a kind of entry for people: "port lost".
func Kind(k record.Kind) string {
	if words := kindWords[k]; words != "" {
		return words
	}
	return spaced(string(k))
}

// memberWords are names of an entry's members where their own name would puzzle a reader.
var memberWords = map[string]string{
	"entry_id": "entry id", "sha256": "SHA-256", "step_s": "step in seconds", "bound_s": "bound in seconds", "offset_s": "offset in seconds",
	"from_utc": "from time", "to_utc": "to time", "up": "found", "entry": "entry number", "asked": "asked by entry",
	"accuracy_s": "accuracy in seconds", "raw": "scan as received", "frame": "frame as received",
}

func memberName(name string) string {
	if words := memberWords[name]; words != "" {
		return words
	}
	return spaced(name)
}

// spaced makes words of a name in code.
func spaced(name string) string { return strings.NewReplacer("-", " ", "_", " ").Replace(name) }
