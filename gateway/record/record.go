// Package record is the vocabulary that every room shares: what an entry is, what a weighing says, how a stamp and a
// context are written down. It holds types and their JSON, and no behaviour that touches a disk, a network or a clock.
//
// An entry is the exact bytes of one JSON object. The journal hashes those bytes, so a body is encoded once, at append,
// and never again. The field "schema" comes first and tells the kind: "weighpost.weighing/1".
package record

import (
	"encoding/json"
	"fmt"
	"time"
)

// Kind says what an entry is about. It is the middle of the schema name.
type Kind string

// The kinds of entry. A kind is never renamed: old journals hold it.
const (
	KindWeighing      Kind = "weighing"       // a recorded reading that is a mass
	KindResult        Kind = "result"         // percent, pieces, an average: never a weighing
	KindUnread        Kind = "unread"         // a frame that no layout explains
	KindUnreadSummary Kind = "unread-summary" // what came after the first unread frames of a minute
	KindPortUp        Kind = "port-up"
	KindPortDown      Kind = "port-down"
	KindGap           Kind = "gap"    // readings that arrived while recording was stopped and could not be kept
	KindStart         Kind = "start"  // the daemon began to use this journal
	KindStop          Kind = "stop"   // the daemon ended in good order
	KindParked        Kind = "parked" // a sink refused an entry for good; it waits for a person
	KindSinkStopped   Kind = "sink-stopped"
	KindSinkResumed   Kind = "sink-resumed"
	KindSinkMoved     Kind = "sink-moved" // a sink has another destination, or begins at the present

	KindClockChanged   Kind = "clock-changed"   // checked, holdover or unchecked; a step; a sleep
	KindContextChanged Kind = "context-changed" // who and which sample the next weighings are tied to
	KindConfigured     Kind = "configured"      // the configuration that holds from now on, or one that was refused
	KindLayoutChanged  Kind = "layout-changed"  // frames from now on are read by another layout
	KindCommand        Kind = "command"         // something is about to be sent to a balance on request, or what became of it

	KindKeyRotated       Kind = "key-rotated"       // checkpoints from now on are signed by another key
	KindTimestamped      Kind = "time-stamped"      // an outside authority put its time on a checkpoint
	KindClockCorrected   Kind = "clock-corrected"   // by how much the stamps of a span of entries were wrong
	KindTrailReviewed    Kind = "trail-reviewed"    // somebody looked over the entries up to here, with these findings
	KindBackup           Kind = "backup"            // a backup was made, verified or removed, or could not be
	KindRestored         Kind = "restored"          // this journal goes on from a backup or a copy, as a new incarnation
	KindSealed           Kind = "sealed"            // a span of entries now lives in a segment of its own
	KindRecordingStopped Kind = "recording-stopped" // recording was refused from here on, and why
	KindRecordingResumed Kind = "recording-resumed"
	KindDamage           Kind = "damage"  // the journal is not as it was written, as found while it was in use
	KindRefused          Kind = "refused" // an act that was not allowed

	KindPersonChanged    Kind = "person-changed"    // somebody's account: added, changed, disabled, its secret or badge set
	KindSignedIn         Kind = "signed-in"         // somebody showed who they are
	KindSignedOut        Kind = "signed-out"        // a session ended, and why
	KindSignInRefused    Kind = "sign-in-refused"   // attempts to sign in that failed
	KindAPIKeyChanged    Kind = "api-key-changed"   // a program's key was made or revoked
	KindAccountsReviewed Kind = "accounts-reviewed" // somebody looked over who holds which right
	KindSettingsPending  Kind = "settings-pending"  // a change of settings waits for a person
	KindSettingsDecided  Kind = "settings-decided"  // such a change was adopted or turned down
	KindSampleAnnounced  Kind = "sample-announced"  // a sample is known from here on, or no longer

	KindParkedRetried Kind = "parked-retried" // somebody asks for parked entries to be delivered again
	KindParkedDropped Kind = "parked-dropped" // somebody decided that parked entries are never delivered
	KindSinkTried     Kind = "sink-tried"     // somebody had a sink that waited or was stopped tried at once
	KindSinkPaused    Kind = "sink-paused"    // somebody stopped the deliveries of a sink for a time
	KindSinkContinued Kind = "sink-continued" // somebody let the deliveries of a paused sink go on
	KindHeldReleased  Kind = "held-released"  // somebody let entries go out that sinks hold back
	KindSinkAnswered  Kind = "sink-answered"  // what a destination gave back for entries that it accepted

	KindWeightChanged  Kind = "weight-changed"  // a reference weight: registered, its certificate, withdrawn
	KindCheckBegun     Kind = "check-begun"     // somebody began to check a balance with reference weights
	KindCheckStep      Kind = "check-step"      // one attempt at one step of a check, also one that does not count
	KindCheckEnded     Kind = "check-ended"     // what a check found, or that it ended without a verdict
	KindFitnessChanged Kind = "fitness-changed" // a balance is in service, due, overdue, out of service or in check from here on
	KindCheckReminder  Kind = "check-reminder"  // a check is due, or overdue
	KindUpkeep         Kind = "upkeep"          // a balance was adjusted, moved, repaired, calibrated
	KindAffectedJudged Kind = "affected-judged" // whether weighings are affected by a failed check
	KindFailureClosed  Kind = "failure-closed"  // all that a failed check throws doubt on has been judged

	KindProcedureChanged Kind = "procedure-changed" // a version of a procedure: written, adopted, turned down, withdrawn
	KindRunBegun         Kind = "run-begun"         // a run of a procedure began
	KindRunStep          Kind = "run-step"          // one attempt at one step of a run, also one that does not count
	KindRunEnded         Kind = "run-ended"         // a run is complete, with its results, or was abandoned
	KindRequestChanged   Kind = "request-changed"   // what a lab system asks for: it came, changed, was begun, answered, cancelled
	KindContainerChanged Kind = "container-changed" // a container: registered, changed, withdrawn
	KindLateEntered      Kind = "late-entered"      // the slip of a weighing that weighpost had not read was typed in
	KindLateDecided      Kind = "late-decided"      // a second person confirmed what was typed in, or turned it down

	KindRunReviewed      Kind = "run-reviewed"      // an act of the review of a run: submitted, returned, reviewed, approved, replaced, archived
	KindRunCorrected     Kind = "run-corrected"     // a weighing of a run is excluded, included again, read anew, or its context amended
	KindSignature        Kind = "signature"         // somebody put their name under a run
	KindSignatureRefused Kind = "signature-refused" // somebody tried to, and did not show who they are
	KindReportIssued     Kind = "report-issued"     // a report was written
)

const schemaPrefix, schemaVersion = "weighpost.", "/1"

// Schema is the name that entries of this kind carry in their field "schema".
func (k Kind) Schema() string { return schemaPrefix + string(k) + schemaVersion }

// Head opens every entry. The journal fills it at append; nobody else writes to it.
type Head struct {
	Schema string `json:"schema"`
	// ID is site / incarnation / balance / number for a weighing and a result, site / incarnation / @ / sequence for all
	// others. It is stable for ever and the idempotency key everywhere.
	ID  string `json:"id"`
	Seq uint64 `json:"seq"` // position in the journal, from 1
	// Site is the site's name as configured when the entry was made.
	Site string `json:"site"`
}

// Identity gives the journal the head to fill.
func (h *Head) Identity() *Head { return h }

// Body is what an entry says, before the journal has given it its identity. Implementations are pointers to structs
// that embed Head.
type Body interface {
	Identity() *Head
	Kind() Kind
	// Subject is the id of the balance that the entry is about, or "" where it is about none.
	Subject() string
	// Time is the UTC instant of the act itself, also where several acts share one commit.
	Time() time.Time
}

// Follower is a body that names the entry before it in the same append. The journal calls Follow once that has its identity, each time
// that it gives identities.
type Follower interface{ Follow(before Head) }

// Numbered says whether entries of the kind take a number of their balance: gapless within an incarnation.
func (k Kind) Numbered() bool { return k == KindWeighing || k == KindResult }

// Entry is one record in the journal.
type Entry struct {
	Seq     uint64
	Kind    Kind
	ID      string
	Balance string          // id of the balance it is about, or ""
	JSON    json.RawMessage // the exact bytes that were hashed: never re-encoded, never changed by a reader
	// Late: a sink gets it after entries that came later, since it refused it before. It is no part of the entry.
	Late bool
}

// EntryID writes the id of an entry. For a numbered entry of a balance, n is the balance's number; for all others the
// balance is "" and n is the sequence.
func EntryID(site, incarnation, balance string, n uint64) string {
	if balance == "" {
		balance = "@"
	}
	return fmt.Sprintf("%s/%s/%s/%06d", site, incarnation, balance, n)
}

// CheckName says why a text cannot name a site, a balance, a sink or a port, or nil. Names are part of ids, topics and file
// names, so they are kept to what all of those carry unchanged.
func CheckName(s string) error {
	switch {
	case s == "":
		return fmt.Errorf("is empty: give it a name, such as b-12")
	case len(s) > 63:
		return fmt.Errorf("has %d characters: at most 63 are allowed", len(s))
	}
	for i, r := range s {
		letter := r >= 'a' && r <= 'z' || r >= '0' && r <= '9'
		if !letter && (i == 0 || r != '-') {
			return fmt.Errorf("holds %q: use a to z, 0 to 9 and -, beginning with a letter or a digit", r)
		}
	}
	return nil
}
