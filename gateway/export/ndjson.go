package export

import (
	"fmt"
	"io"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// ndjsonWriter writes each entry as it is in the journal: the line less its end is what the journal's tree holds.
type ndjsonWriter struct {
	w   io.Writer
	buf []byte
}

func (n *ndjsonWriter) entry(e record.Entry) error {
	if !format.OneLine(e) {
		return fmt.Errorf("entry %d holds a line end, which weighpost never writes, so it cannot be one line. Run: weighpost journal verify", e.Seq)
	}
	n.buf = format.AppendLine(n.buf[:0], e)
	_, err := n.w.Write(n.buf)
	return err
}

func (*ndjsonWriter) close(*Manifest) error { return nil }
