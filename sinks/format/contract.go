package format

import (
	"io"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Format turns entries into bytes. It is pure: the same entry always gives the same bytes. It may be used by several
// goroutines at once; a Stream by one at a time.
type Format interface {
	// Carries says which kinds of entry the format can hold.
	Carries(k record.Kind) bool
	// Entry gives what is handed over for one entry. An error says that the format can never hold it: the sink answers
	// sinks.Refused.
	Entry(e record.Entry) (Payload, error)
	// Stream writes entries of any number as one body to w, in constant memory. An error says that w cannot be written to, or
	// that the format is none for many entries (Choice.Can(Together)).
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

// Rows is a format whose body is a head and one row for each entry: rows can be added to a body that is there, and found
// in it again. Those that Choice.Can(Added) is true for are Rows.
type Rows interface {
	Format
	// Head is what opens a body; it may be empty. It ends as a row does.
	Head() []byte
	// AppendRow adds the row of an entry with its end. An error is a NotHeld, and nothing was added.
	AppendRow(dst []byte, e record.Entry) ([]byte, error)
	// EndOfRow is the length of the first row in b with its end, or 0 when b ends within it.
	EndOfRow(b []byte) int
	// ID gives the id of the entry in one whole row. The error says why the row is none of this format's; a row that was cut
	// off and then given an end is none.
	ID(row []byte) (string, error)
	// LineEnd is what ends a row.
	LineEnd() string
}

// NotHeld says that a format can never hold an entry.
type NotHeld struct{ Err error }

func (n NotHeld) Error() string { return n.Err.Error() }
func (n NotHeld) Unwrap() error { return n.Err }

// Payload is what is handed over for one entry.
type Payload struct {
	Type string // media type
	Ext  string // the end of a name of a file with it, where it is another than the format's; with its dot
	// Attributes go beside the body where the transport can: HTTP and NATS headers, MQTT 5 user properties. Their names are
	// plain, "id"; see Headers for transports that put something in front.
	Attributes []sinks.Attribute
	// Prefix is what the format's standard puts in front of the names in headers, "ce-"; "" for none.
	Prefix string
	Body   []byte
}

// Headers gives the attributes as headers of HTTP and NATS: with their prefix, and with values percent-encoded where they hold
// what a header cannot (CloudEvents HTTP Protocol Binding 1.0.2, section 3.1.3.2: space, double quote, percent, and all beyond
// the printable characters of ASCII).
func (p *Payload) Headers() []sinks.Attribute {
	all := make([]sinks.Attribute, len(p.Attributes))
	for i, a := range p.Attributes {
		all[i] = sinks.Attribute{Name: p.Prefix + a.Name, Value: headerValue(a.Value)}
	}
	return all
}

func headerValue(text string) string {
	const digits = "0123456789ABCDEF"
	var b []byte
	for i := range len(text) {
		c := text[i]
		if c <= ' ' || c >= 0x7f || c == '"' || c == '%' {
			b = append(b, '%', digits[c>>4], digits[c&15])
			continue
		}
		b = append(b, c)
	}
	return string(b)
}

// Preview gives what a sink would send for one entry to a place, for all.Previewing. attributes are those that the transport
// itself adds. An error says why the sink would refuse the entry.
func Preview(f Format, e record.Entry, to string, attributes ...sinks.Attribute) (sinks.Shown, error) {
	p, err := f.Entry(e)
	if err != nil {
		return sinks.Shown{}, err
	}
	return sinks.Shown{To: to, Attributes: append(attributes, p.Attributes...), Type: p.Type, Body: p.Body}, nil
}
