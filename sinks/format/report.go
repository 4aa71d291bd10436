package format

import (
	"errors"
	"io"
	"path"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// issuedReports is reports as they were issued: the file of each, byte for byte.
type issuedReports struct{ env sinks.Env }

func isReport(k record.Kind) bool { return k == record.KindReportIssued }

func openReport(_ *Choice, env sinks.Env) (Format, error) { return issuedReports{env}, nil }

func (issuedReports) Carries(k record.Kind) bool { return isReport(k) }
func (issuedReports) Type() string               { return record.ReportType(record.ReportPDF) }
func (issuedReports) Ext() string                { return record.ReportExt(record.ReportPDF) }

// Stream is none: a file is one report.
func (issuedReports) Stream(io.Writer) (Stream, error) {
	return nil, errors.New("each report is a file of its own: many do not go into one body")
}

func (f issuedReports) Entry(e record.Entry) (Payload, error) {
	r, err := f.env.ReportOf(e)
	if err != nil {
		return Payload{}, NotHeld{err}
	}
	return Payload{Type: r.Type, Ext: path.Ext(r.Name), Body: r.Body}, nil
}
