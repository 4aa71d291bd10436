package sinks

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"

	"weighpost/gateway/record"
)

// ReportOf gives the file of the report that an entry says was issued, a PDF, and its name. The error says why it cannot be had: a
// destination refuses the entry for it, and once the file is put back it can be delivered again.
func (e Env) ReportOf(of record.Entry) (name string, pdf []byte, err error) {
	var r record.ReportIssued
	if of.Kind != record.KindReportIssued || json.Unmarshal(of.JSON, &r) != nil || r.Report == "" {
		return "", nil, fmt.Errorf("entry %s says of no report that it was issued", of.ID)
	}
	if e.Reports == nil {
		return "", nil, errors.New("the files of reports are not to be had here")
	}
	if pdf, err = e.Reports(r.Sum); err != nil {
		return "", nil, fmt.Errorf("the file of report %s cannot be had: %w", r.Report, err)
	}
	if sum := sha256.Sum256(pdf); hex.EncodeToString(sum[:]) != r.Sum || !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		return "", nil, fmt.Errorf("the file of report %s is not the one that was issued (SHA-256 differs)", r.Report)
	}
	return r.Report + ".pdf", pdf, nil
}
