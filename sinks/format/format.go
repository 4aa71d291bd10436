// Package format turns entries into what sinks hand over: JSON, lines of JSON, rows of CSV, and names that are safe. It is
// pure: no clock, no disk, no network.
package format

import (
	"bytes"

	"weighpost/gateway/record"
)

// JSON gives the entry as it is in the journal, byte for byte. The journal's hash is over these bytes: a receiver that keeps
// them can prove later that nothing was changed.
func JSON(e record.Entry) []byte { return e.JSON }

// AppendLine adds the entry as one line of newline-delimited JSON: its exact bytes and "\n". An entry's JSON holds no raw line
// end, as a JSON string cannot and the journal writes none between fields: OneLine tells.
func AppendLine(dst []byte, e record.Entry) []byte { return append(append(dst, e.JSON...), '\n') }

// OneLine says whether the entry can be a line of newline-delimited JSON as it is.
func OneLine(e record.Entry) bool {
	return bytes.IndexByte(e.JSON, '\n') < 0 && bytes.IndexByte(e.JSON, '\r') < 0
}

// Array gives the entries as one JSON array, each byte for byte.
func Array(entries []record.Entry) []byte {
	b := []byte{'['}
	for i, e := range entries {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, e.JSON...)
	}
	return append(b, ']')
}
