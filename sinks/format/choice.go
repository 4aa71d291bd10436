package format

import (
	"io"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Names of the formats, as configurations write them.
const (
	NameJSON   = "json"   // the entry as it is in the journal
	NameNDJSON = "ndjson" // the same, one line for each
	NameCSV    = "csv"    // one row for each weighing or result, RFC 4180
)

// Choice is the part of a sink's configuration that says how entries are written. Sinks hold it inline.
type Choice struct {
	Format string `yaml:"format" desc:"How entries are written. json: as they are in the journal, byte for byte." enum:"json,ndjson,csv" default:"json"`
}

// DefaultChoice is what applies where the file says nothing.
func DefaultChoice() Choice { return Choice{Format: NameJSON} }

// Format turns entries into bytes. It is pure: the same entry always gives the same bytes.
type Format interface {
	// Carries says which kinds of entry the format can hold.
	Carries(k record.Kind) bool
	// Entry gives what is handed over for one entry. An error says that the format can never hold it.
	Entry(e record.Entry) (Payload, error)
	// Stream writes entries of any number as one body to w, in constant memory.
	Stream(w io.Writer) (Stream, error)
	// Type is the media type of what Stream writes, and Ext the end of a file name for it, with its dot.
	Type() string
	Ext() string
}

// Stream is one body in the making.
type Stream interface {
	// Add writes one entry. A NotHeld says that the format can never hold it and that nothing of it was written; any other error
	// is that of the writer, after which the body is of no use.
	Add(e record.Entry) error
	// Close writes what ends the body. It does not close the writer.
	Close() error
}

// NotHeld says that a format can never hold an entry.
type NotHeld struct{ Err error }

func (n NotHeld) Error() string { return n.Err.Error() }
func (n NotHeld) Unwrap() error { return n.Err }

// Payload is what is handed over for one entry.
type Payload struct {
	Type       string            // media type
	Attributes []sinks.Attribute // what goes beside the body where the transport can: HTTP headers, MQTT 5 user properties
	Body       []byte
}
