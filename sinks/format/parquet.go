package format

import (
	"errors"
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go"

	"weighpost/gateway/record"
	"weighpost/gateway/tell"
	"weighpost/parsers/decimal"
	"weighpost/sinks"
)

// ParquetType is the registered media type.
const ParquetType = "application/vnd.apache.parquet"

// tables writes closed batches as Parquet files: entries of every kind, with the columns of exports.
type tables struct{}

func openParquet(*Choice, sinks.Env) (Format, error) { return tables{}, nil }

func (tables) Carries(record.Kind) bool { return true }
func (tables) Type() string             { return ParquetType }
func (tables) Ext() string              { return ".parquet" }

// Entry is none: a file of one row serves nobody.
func (tables) Entry(e record.Entry) (Payload, error) {
	return Payload{}, NotHeld{fmt.Errorf("entry %s: Parquet is for closed batches, and not for entries one by one", e.ID)}
}

func (tables) Stream(w io.Writer) (Stream, error) { return NewParquet(w, "", nil), nil }

// parquetRow is the Parquet form of an entry. Digits stand as printed, and beside them, for arithmetic, as DECIMAL(18,9) where
// they fit: at most nine digits before and nine after the point. Instants are TIMESTAMP(MICROS, UTC). What an entry does not
// say is null.
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

// ParquetWriter writes one Parquet file.
type ParquetWriter struct {
	w           *parquet.GenericWriter[parquetRow]
	corrections *record.Corrections
	one         []parquetRow
	rows        int // in the row group
}

// NewParquet begins a file. version is that of the program that writes it, "" where the same entries are to give the same bytes
// whatever the version; corrections are what later entries say of the stamps, nil for none. metadata are pairs of keys and
// values that the file carries.
func NewParquet(w io.Writer, version string, corrections *record.Corrections, metadata ...[2]string) *ParquetWriter {
	if corrections == nil {
		corrections = &record.Corrections{}
	}
	options := []parquet.WriterOption{parquet.Compression(&parquet.Snappy), parquet.PageBufferSize(64 << 10), parquet.CreatedBy("weighpost", version, "")}
	for _, pair := range metadata {
		options = append(options, parquet.KeyValueMetadata(pair[0], pair[1]))
	}
	return &ParquetWriter{w: parquet.NewGenericWriter[parquetRow](w, options...), corrections: corrections, one: make([]parquetRow, 1)}
}

// Add writes one entry, of any kind. An entry that cannot be read is a NotHeld.
func (x *ParquetWriter) Add(e record.Entry) error {
	r, err := tell.RowOf(e, x.corrections)
	if err != nil {
		return NotHeld{err}
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

// Close writes what ends the file.
func (x *ParquetWriter) Close() error {
	if err := x.w.Close(); err != nil {
		return errors.Join(errors.New("the Parquet file cannot be ended"), err)
	}
	return nil
}

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
