package export

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go"

	"weighpost/gateway/record"
	"weighpost/gateway/tell"
	"weighpost/parsers/decimal"
)

// parquetRow is the Parquet form of an entry: columns as in CSV. Digits stand as printed, and beside them, for arithmetic, as
// DECIMAL(18,9) where they fit: at most nine digits before and nine after the point. Instants are TIMESTAMP(MICROS, UTC).
// What an entry does not say is null.
type parquetRow struct {
	UTC            *int64 `parquet:"utc,timestamp(microsecond:utc)"`
	Bound          string `parquet:"bound_s,optional"`
	Clock          string `parquet:"clock,optional,dict"`
	Corrected      *int64 `parquet:"corrected_utc,timestamp(microsecond:utc)"`
	CorrectedBound string `parquet:"corrected_bound_s,optional"`
	Kind           string `parquet:"kind,dict"`
	About          string `parquet:"about,dict"`
	Balance        string `parquet:"balance,optional,dict"`
	Digits         string `parquet:"digits,optional"`
	Value          *int64 `parquet:"value,decimal(9:18)"`
	Unit           string `parquet:"unit,optional,dict"`
	PrintedUnit    string `parquet:"printed_unit,optional,dict"`
	ValueKind      string `parquet:"value_kind,optional,dict"`
	Stability      string `parquet:"stability,optional,dict"`
	Range          string `parquet:"range,optional,dict"`
	Sample         string `parquet:"sample,optional"`
	Person         string `parquet:"person,optional,dict"`
	Method         string `parquet:"method,optional,dict"`
	Run            string `parquet:"run,optional"`
	Lot            string `parquet:"lot,optional"`
	What           string `parquet:"what,optional"`
	Why            string `parquet:"why,optional"`
	ID             string `parquet:"id"`
	Seq            uint64 `parquet:"seq"`
}

// groupRows bounds how many rows are kept in memory before they are written as a row group.
const groupRows = 20_000

// parquetScale is how many decimals the column value has.
const parquetScale = 9

// manifestKey names what is known of an export before its end, in the file's own key-value metadata.
const manifestKey = "weighpost.export"

type parquetWriter struct {
	w           *parquet.GenericWriter[parquetRow]
	corrections *record.Corrections
	one         []parquetRow
	rows        int // in the row group
}

func newParquet(w io.Writer, m *Manifest, c *record.Corrections) (writer, error) {
	about, err := json.Marshal(known(m))
	if err != nil {
		return nil, err
	}
	return &parquetWriter{
		w: parquet.NewGenericWriter[parquetRow](w, parquet.Compression(&parquet.Snappy), parquet.PageBufferSize(64<<10),
			parquet.CreatedBy("weighpost", m.Version, ""), parquet.KeyValueMetadata(manifestKey, string(about))),
		corrections: c, one: make([]parquetRow, 1),
	}, nil
}

// known leaves out of a manifest what is known only when the file is whole.
func known(m *Manifest) map[string]any {
	return map[string]any{
		"schema": m.Schema, "filter": m.Filter, "query": m.Query, "site": m.Site, "origin": m.Origin, "incarnation": m.Incarnation,
		"head": m.Head, "entries": m.Entries, "left_out": m.LeftOut, "first": m.First, "last": m.Last, "signed": m.Signed,
		"checkpoint": m.Checkpoint, "key": m.Key, "made": m.Made, "version": m.Version,
	}
}

func (x *parquetWriter) entry(e record.Entry) error {
	r, err := tell.RowOf(e, x.corrections)
	if err != nil {
		return err
	}
	x.one[0] = parquetRow{
		Bound: r.Bound, Clock: r.Clock, CorrectedBound: r.CorrectedBound, Kind: string(r.Kind), About: tell.Kind(r.Kind), Balance: r.Balance,
		Digits: r.Digits, Value: scaled(r.Digits), Unit: r.Unit, PrintedUnit: r.PrintedUnit, ValueKind: r.ValueKind, Stability: r.Stability,
		Range: r.Range, Sample: r.Sample, Person: r.Person, Method: r.Method, Run: r.Run, Lot: r.Lot, What: r.What, Why: r.Why,
		ID: r.ID, Seq: r.Seq,
	}
	if r.UTC != "" {
		us := r.Time.UnixMicro()
		x.one[0].UTC = &us
	}
	if r.Corrected != "" {
		us := r.CorrectedTime.UnixMicro()
		x.one[0].Corrected = &us
	}
	if _, err := x.w.Write(x.one); err != nil {
		return fmt.Errorf("the Parquet file cannot be written: %w", err)
	}
	if x.rows++; x.rows == groupRows {
		x.rows = 0
		return x.w.Flush()
	}
	return nil
}

func (x *parquetWriter) close(*Manifest) error { return x.w.Close() }

// scaled gives digits as a whole number of 10^-9, or nil where there are none or they do not fit.
func scaled(digits string) *int64 {
	if digits == "" {
		return nil
	}
	d, err := decimal.Parse([]byte(digits))
	if err != nil || d.Scale() > parquetScale {
		return nil
	}
	n := d.Coefficient()
	for range parquetScale - d.Scale() {
		if n > maxScaled/10 || n < -maxScaled/10 {
			return nil
		}
		n *= 10
	}
	if n > maxScaled || n < -maxScaled {
		return nil
	}
	return &n
}

const maxScaled = 1_000_000_000_000_000_000 - 1 // what 18 digits hold
