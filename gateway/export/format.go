package export

import (
	"fmt"
	"io"
	"strings"

	"weighpost/gateway/record"
)

// Format is the form of an export.
type Format string

// The forms.
const (
	CSV     Format = "csv"     // RFC 4180
	NDJSON  Format = "ndjson"  // the exact bytes of each entry, one a line
	Parquet Format = "parquet" // for data tools
	PDF     Format = "pdf"     // for people
)

// Formats lists all of them, in the order in which help tells them.
func Formats() []string { return []string{string(CSV), string(NDJSON), string(Parquet), string(PDF)} }

// ParseFormat reads the name of a form. The error is a sentence.
func ParseFormat(name string) (Format, error) {
	for _, f := range Formats() {
		if f == name {
			return Format(f), nil
		}
	}
	return "", fmt.Errorf("%q is no format of an export: choose one of %s", name, strings.Join(Formats(), ", "))
}

// MediaType is the form's name in HTTP (RFC 4180 section 3, RFC 8118, the registry of media types; NDJSON has none of its own).
func (f Format) MediaType() string {
	switch f {
	case CSV:
		return "text/csv; charset=utf-8; header=present"
	case Parquet:
		return "application/vnd.apache.parquet"
	case PDF:
		return "application/pdf"
	}
	return "application/x-ndjson"
}

// writer writes entries in one form.
type writer interface {
	entry(e record.Entry) error
	// close writes what stands after the last entry. m says everything but what can be known only then: the file's own hash.
	close(m *Manifest) error
}

// newWriter begins a file. m says what is known before the first entry.
func newWriter(w io.Writer, r *Request, m *Manifest, c *record.Corrections) (writer, error) {
	switch r.Format {
	case CSV:
		return newCSV(w, r.Spreadsheet, c)
	case NDJSON:
		return &ndjsonWriter{w: w}, nil
	case Parquet:
		return newParquet(w, m, c)
	case PDF:
		return newPDF(w, m, c)
	}
	_, err := ParseFormat(string(r.Format))
	return nil, err
}
