package export

import (
	"io"
	"strconv"

	"weighpost/gateway/record"
	"weighpost/gateway/tell"
	"weighpost/sinks/format"
)

// csvColumn is one column of the CSV form.
type csvColumn struct {
	name string
	// own says that the value is made by weighpost in a fixed form. All others are text that people and devices send.
	own   bool
	value func(*tell.Row) string
}

// csvColumns is the CSV form of an entry of any kind. The last two are never empty, so that a row that was cut off shows.
var csvColumns = []csvColumn{
	{"utc", true, func(r *tell.Row) string { return r.UTC }},
	{"bound_s", true, func(r *tell.Row) string { return r.Bound }},
	{"clock", false, func(r *tell.Row) string { return r.Clock }},
	{"corrected_utc", true, func(r *tell.Row) string { return r.Corrected }},
	{"corrected_bound_s", true, func(r *tell.Row) string { return r.CorrectedBound }},
	{"kind", true, func(r *tell.Row) string { return string(r.Kind) }},
	{"about", false, func(r *tell.Row) string { return tell.Kind(r.Kind) }},
	{"balance", false, func(r *tell.Row) string { return r.Balance }},
	{"digits", false, func(r *tell.Row) string { return r.Digits }},
	{"unit", false, func(r *tell.Row) string { return r.Unit }},
	{"printed_unit", false, func(r *tell.Row) string { return r.PrintedUnit }},
	{"value_kind", false, func(r *tell.Row) string { return r.ValueKind }},
	{"stability", false, func(r *tell.Row) string { return r.Stability }},
	{"range", false, func(r *tell.Row) string { return r.Range }},
	{"sample", false, func(r *tell.Row) string { return r.Sample }},
	{"person", false, func(r *tell.Row) string { return r.Person }},
	{"method", false, func(r *tell.Row) string { return r.Method }},
	{"run", false, func(r *tell.Row) string { return r.Run }},
	{"lot", false, func(r *tell.Row) string { return r.Lot }},
	{"what", false, func(r *tell.Row) string { return r.What }},
	{"why", false, func(r *tell.Row) string { return r.Why }},
	{"id", true, func(r *tell.Row) string { return r.ID }},
	{"seq", true, func(r *tell.Row) string { return strconv.FormatUint(r.Seq, 10) }},
}

type csvWriter struct {
	w           io.Writer
	spreadsheet bool
	corrections *record.Corrections
	fields      []string
	buf         []byte
}

func newCSV(w io.Writer, spreadsheet bool, c *record.Corrections) (writer, error) {
	x := &csvWriter{w: w, spreadsheet: spreadsheet, corrections: c, fields: make([]string, len(csvColumns))}
	for i, col := range csvColumns {
		x.fields[i] = col.name
	}
	if spreadsheet {
		x.buf = append(x.buf, format.BOM...)
	}
	x.buf = format.AppendCSV(x.buf, x.fields)
	_, err := w.Write(x.buf)
	return x, err
}

func (x *csvWriter) entry(e record.Entry) error {
	r, err := tell.RowOf(e, x.corrections)
	if err != nil {
		return err
	}
	for i, col := range csvColumns {
		x.fields[i] = col.value(&r)
		if x.spreadsheet {
			x.fields[i] = format.ForSpreadsheet(x.fields[i], col.own)
		}
	}
	x.buf = format.AppendCSV(x.buf[:0], x.fields)
	_, err = x.w.Write(x.buf)
	return err
}

func (*csvWriter) close(*Manifest) error { return nil }
