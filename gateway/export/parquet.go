package export

import (
	"encoding/json"
	"io"

	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// manifestKey names what is known of an export before its end, in the file's own key-value metadata.
const manifestKey = "weighpost.export"

// parquetWriter writes the form that destinations get as well: see format.NewParquet.
type parquetWriter struct{ *format.ParquetWriter }

func newParquet(w io.Writer, m *Manifest, c *record.Corrections) (writer, error) {
	about, err := json.Marshal(known(m))
	if err != nil {
		return nil, err
	}
	return parquetWriter{format.NewParquet(w, m.Version, c, [2]string{manifestKey, string(about)})}, nil
}

func (x parquetWriter) entry(e record.Entry) error { return x.Add(e) }

func (x parquetWriter) close(*Manifest) error { return x.Close() }

// known leaves out of a manifest what is known only when the file is whole.
func known(m *Manifest) map[string]any {
	return map[string]any{
		"schema": m.Schema, "filter": m.Filter, "query": m.Query, "site": m.Site, "origin": m.Origin, "incarnation": m.Incarnation,
		"head": m.Head, "entries": m.Entries, "left_out": m.LeftOut, "first": m.First, "last": m.Last, "signed": m.Signed,
		"checkpoint": m.Checkpoint, "key": m.Key, "made": m.Made, "version": m.Version,
	}
}
