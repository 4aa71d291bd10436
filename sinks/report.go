package sinks

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"weighpost/gateway/record"
)

// ReportFile is the file of a report, as it was issued.
type ReportFile struct {
	Name, Type string // rep-7qx3-000004.pdf, application/pdf
	PDF        bool   // for people to read: not one of the forms that programs read
	Body       []byte
}

// ReportOf gives the file of the report that an entry says was issued. The error says why it cannot be had: a destination refuses the entry
// for it, and once the file is put back it can be delivered again.
func (e Env) ReportOf(of record.Entry) (f ReportFile, err error) {
	var r record.ReportIssued
	if of.Kind != record.KindReportIssued || json.Unmarshal(of.JSON, &r) != nil || r.Report == "" {
		return f, fmt.Errorf("entry %s says of no report that it was issued", of.ID)
	}
	if e.Reports == nil {
		return f, errors.New("the files of reports are not to be had here")
	}
	body, err := e.Reports(r.Sum)
	if err != nil {
		return f, fmt.Errorf("the file of report %s cannot be had: %w", r.Report, err)
	}
	if sum := sha256.Sum256(body); hex.EncodeToString(sum[:]) != r.Sum || !record.IsReport(r.Form, body) {
		return f, fmt.Errorf("the file of report %s is not the one that was issued (SHA-256 differs)", r.Report)
	}
	return ReportFile{Name: r.FileName(), Type: record.ReportType(r.Form), PDF: !record.ForPrograms(r.Form), Body: body}, nil
}
