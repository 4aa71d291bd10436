package record

import (
	"bytes"
	"encoding/json"
	"time"
)

// What a signature means (21 CFR 11.50(a)(3)).
const (
	MeansPerformed = "performed" // "I have performed this, and looked it over."
	MeansReviewed  = "reviewed"
	MeansApproved  = "approved"
)

// How somebody showed who they are, to sign (21 CFR 11.200(a)(1)).
const (
	ShownBoth   = "id and secret"
	ShownSecret = "secret" // at a further signature of a continuous period
	ShownOpenID = "openid" // freshly, at the provider
)

// Signature is somebody's name under a run. It is bound to what it covers by a hash, and to the journal as every entry is: it cannot be
// taken off, moved to another run or put under something else without that being found (21 CFR 11.70).
type Signature struct {
	Head
	Run       RunRef      `json:"run"`
	Balance   *Balance    `json:"balance,omitempty"`
	Request   *RequestRef `json:"request,omitempty"`
	Meaning   string      `json:"meaning"`   // one of the words above
	Statement string      `json:"statement"` // the text that was shown, in full
	Covers    Covered     `json:"covers"`
	Name      string      `json:"name"` // of the signer, printed, as it then was
	Role      string      `json:"role"` // as it then was
	// Login is what they showed, How the parts of it, and Directory says that a directory answered for them.
	Login     string `json:"login"`
	How       string `json:"how"`
	Directory bool   `json:"directory,omitempty"`
	Session   string `json:"session"` // public id of the session; a continuous period lies within one
	By        Actor  `json:"by"`
	Zone      string `json:"zone"` // IANA name of the place's time zone
	Stamp     Stamp  `json:"stamp"`
}

// Covered are the entries of a run that a signature covers.
type Covered struct {
	Entries uint64 `json:"entries"` // how many
	Last    uint64 `json:"last"`    // sequence of the last
	// Root is the Merkle tree hash (RFC 6962, section 2.1) of their bytes, in their order, in hexadecimal after "sha256:".
	Root string `json:"root"`
}

func (s *Signature) Kind() Kind      { return KindSignature }
func (s *Signature) Subject() string { return idOf(s.Balance) }
func (s *Signature) Time() time.Time { return s.Stamp.UTC.Time() }

// SignatureRefused says that somebody tried to sign and did not show who they are. It is told at once, every time.
type SignatureRefused struct {
	Head
	Run     RunRef   `json:"run"`
	Balance *Balance `json:"balance,omitempty"`
	Meaning string   `json:"meaning"`
	Why     string   `json:"why"`
	By      Actor    `json:"by"` // whose session it was
	Stamp   Stamp    `json:"stamp"`
}

func (s *SignatureRefused) Kind() Kind      { return KindSignatureRefused }
func (s *SignatureRefused) Subject() string { return idOf(s.Balance) }
func (s *SignatureRefused) Time() time.Time { return s.Stamp.UTC.Time() }

// The forms in which a report is written.
const (
	ReportPDF        = "pdf"
	ReportJSON       = "json"       // of a run: all that is known of it, as configs/schemas/run-report.schema.json says
	ReportLaboratory = "laboratory" // of a run: a document of the Allotrope Simple Model
)

// ReportIssued says that a report was written, and what its bytes are.
type ReportIssued struct {
	Head
	Report   string   `json:"report"`         // its number: rep-7qx3-000004
	Of       string   `json:"of"`             // run, day, check, sample, balance, trail
	About    string   `json:"about"`          // the id of the run, check, sample or balance; a date; a span of the trail
	Run      *RunRef  `json:"run,omitempty"`  // of: run
	Form     string   `json:"form,omitempty"` // one of the words above; "": a PDF
	Template string   `json:"template"`       // name; "": its form has none
	Hash     string   `json:"hash"`           // SHA-256 of the template as it was
	Sum      string   `json:"sum"`            // SHA-256 of the file
	Size     int64    `json:"size"`           // of the file, bytes
	Last     uint64   `json:"last"`           // the last entry that it tells of
	Replaces string   `json:"replaces"`       // number of the report that it takes the place of; "": of none
	Why      string   `json:"why,omitempty"`  // it takes that place
	Sent     []string `json:"sent,omitempty"` // ids of the destinations that get it
	By       Actor    `json:"by"`
	Stamp    Stamp    `json:"stamp"`
}

func (r *ReportIssued) Kind() Kind      { return KindReportIssued }
func (r *ReportIssued) Subject() string { return "" }
func (r *ReportIssued) Time() time.Time { return r.Stamp.UTC.Time() }

// ForPrograms says whether a form is for programs to read, and not for people.
func ForPrograms(form string) bool { return form == ReportJSON || form == ReportLaboratory }

// FileName is the name of its file: number and form.
func (r *ReportIssued) FileName() string { return r.Report + ReportExt(r.Form) }

// ReportExt is how names of files with reports of a form end.
func ReportExt(form string) string {
	if ForPrograms(form) {
		return ".json"
	}
	return ".pdf"
}

// ReportType is the media type of a form.
func ReportType(form string) string {
	if ForPrograms(form) {
		return "application/json"
	}
	return "application/pdf"
}

// IsReport says whether bytes can be a report of a form, without reading all of a PDF.
func IsReport(form string, b []byte) bool {
	if ForPrograms(form) {
		return len(b) > 0 && b[0] == '{' && json.Valid(b)
	}
	return bytes.HasPrefix(b, []byte("%PDF-"))
}
