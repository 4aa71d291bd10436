package record

import (
	"fmt"
	"time"
)

// SealRequest asks for old entries to be sealed into segments, or for what that would do.
type SealRequest struct {
	By     string    `json:"by,omitempty" doc:"Who asks, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that." minLength:"1" maxLength:"128"`
	Before time.Time `json:"before,omitzero" required:"false" doc:"Entries that were recorded before this are sealed; left out: as the configuration says (retention: after)."`
	Reason string    `json:"reason,omitempty" doc:"Why; it becomes part of the entry that tells of it." maxLength:"128"`
	DryRun bool      `json:"dry_run,omitempty" doc:"Only say what would be done."`
}

// SealPlan is what would be sealed.
type SealPlan struct {
	First    uint64    `json:"first" doc:"The first entry that is not sealed yet."`
	Last     uint64    `json:"last" doc:"The last that would be; one less than first where none would."`
	Segments uint64    `json:"segments"`
	From     time.Time `json:"from,omitzero" required:"false" doc:"Stamp of the oldest of them."`
	To       time.Time `json:"to,omitzero" required:"false" doc:"Stamp of the newest of them."`
	Bytes    uint64    `json:"bytes" doc:"What these entries take in journal.db."`
	Why      string    `json:"why" doc:"Why it is no more than that."`
	Copies   []string  `json:"copies" nullable:"false" doc:"Where each segment is copied to, and verified, before anything leaves journal.db."`
	Resumes  bool      `json:"resumes" doc:"Whether an earlier sealing is finished first."`
	Started  bool      `json:"started" doc:"Whether it has begun: what comes of it is told by entries of the kind sealed, and a condition."`
}

// ParseSealRequest reads the JSON form of a request to seal: {"by": "p-07", "before": "2025-01-01T00:00:00Z", "reason": "…",
// "dry_run": true}; all of them may be left out. Unknown names and names that are there twice are refused. The error is a
// sentence.
func ParseSealRequest(b []byte) (SealRequest, error) {
	var r SealRequest
	s := scanner{b: b}
	err := s.whole("the request", func(name string) (err error) {
		switch name {
		case "by":
			r.By, err = s.string(name)
		case "reason":
			r.Reason, err = s.string(name)
		case "dry_run":
			r.DryRun, err = s.bool(name)
		case "before":
			var text string
			if text, err = s.string(name); err == nil {
				if r.Before, err = time.Parse(time.RFC3339, text); err != nil || offsetTooFar(text) {
					err = s.wrong("before is no instant, such as 2025-01-01T00:00:00Z")
				}
			}
		default:
			err = s.wrong(fmt.Sprintf("%q is unknown: a request has by, before, reason and dry_run", name))
		}
		return err
	})
	for name, text := range map[string]string{"by": r.By, "reason": r.Reason} {
		if err == nil && text != "" {
			if wrong := CheckContextID(text); wrong != nil {
				err = fmt.Errorf("%s %w", name, wrong)
			}
		}
	}
	return r, err
}
