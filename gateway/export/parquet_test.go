package export_test

import (
	"bytes"
	"context"
	"math/big"
	"slices"
	"testing"

	"github.com/apache/arrow-go/v18/parquet"
	"github.com/apache/arrow-go/v18/parquet/file"
	"github.com/apache/arrow-go/v18/parquet/schema"

	"weighpost/gateway/export"
	"weighpost/gateway/record"
)

// column reads all of a column by name; absent values are nil.
func column[T any, R interface {
	ReadBatch(int64, []T, []int16, []int16) (int64, int, error)
}](t *testing.T, f *file.Reader, name string) (all []*T) {
	t.Helper()
	at := f.MetaData().Schema.ColumnIndexByName(name)
	if at < 0 {
		t.Fatalf("there is no column %s", name)
	}
	for i := range f.NumRowGroups() {
		group := f.RowGroup(i)
		c, err := group.Column(at)
		if err != nil {
			t.Fatal(err)
		}
		r, ok := c.(R)
		if !ok {
			t.Fatalf("the column %s is a %T", name, c)
		}
		optional := c.Descriptor().MaxDefinitionLevel() > 0
		for rows := group.NumRows(); rows > 0; {
			values, levels := make([]T, rows), make([]int16, rows)
			n, _, err := r.ReadBatch(rows, values, levels, nil)
			if err != nil || n == 0 {
				t.Fatalf("%s after %d rows: %v", name, len(all), err)
			}
			next := 0
			for _, level := range levels[:n] {
				if optional && level == 0 {
					all = append(all, nil)
					continue
				}
				all = append(all, &values[next])
				next++
			}
			rows -= n
		}
	}
	return all
}

func texts(t *testing.T, f *file.Reader, name string) (all []string) {
	t.Helper()
	for _, v := range column[parquet.ByteArray, *file.ByteArrayColumnChunkReader](t, f, name) {
		if v == nil {
			all = append(all, "")
			continue
		}
		all = append(all, v.String())
	}
	return all
}

// TestAnotherReaderReadsTheParquet: the Apache project's own Go reader, which shares no code with what wrote the file.
func TestAnotherReaderReadsTheParquet(t *testing.T) {
	t.Parallel()
	dir, want := thousand(t)
	b, _ := out(t, dir, request(export.Parquet))
	f, err := file.NewParquetReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for name, logical := range map[string]schema.LogicalType{
		"utc": schema.NewTimestampLogicalType(true, schema.TimeUnitMicros), "corrected_utc": schema.NewTimestampLogicalType(true, schema.TimeUnitMicros),
		"value": schema.NewDecimalLogicalType(18, 9), "digits": schema.StringLogicalType{},
	} {
		s := f.MetaData().Schema
		if got := s.Column(s.ColumnIndexByName(name)).LogicalType(); !got.Equals(logical) {
			t.Errorf("the column %s is %s", name, got)
		}
	}
	ids, digits, units, samples, persons := texts(t, f, "id"), texts(t, f, "digits"), texts(t, f, "unit"), texts(t, f, "sample"), texts(t, f, "person")
	utc := column[int64, *file.Int64ColumnChunkReader](t, f, "utc")
	values := column[int64, *file.Int64ColumnChunkReader](t, f, "value")
	var got []told
	for i := range ids {
		var at record.UTC
		if err := at.UnmarshalJSON([]byte(`"` + want[i].UTC + `"`)); err != nil {
			t.Fatal(err)
		}
		if *utc[i] != at.Time().UnixMicro() {
			t.Errorf("%s stands for %s", want[i].UTC, at)
		}
		exact, _ := new(big.Rat).SetString(digits[i])
		if values[i] == nil || exact.Cmp(big.NewRat(*values[i], 1_000_000_000)) != 0 {
			t.Errorf("%s stands beside %v", digits[i], values[i])
		}
		got = append(got, told{ids[i], at.String(), digits[i], units[i], samples[i], persons[i]})
	}
	same(t, "the other reader", got, want)
}

// TestRowGroupsOfAParquetAreBounded so that neither writer nor reader has to hold all of it.
func TestRowGroupsOfAParquetAreBounded(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	if _, err := export.Write(context.Background(), &b, made{25_000}, request(export.Parquet)); err != nil {
		t.Fatal(err)
	}
	f, err := file.NewParquetReader(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var rows []int64
	for i := range f.NumRowGroups() {
		rows = append(rows, f.RowGroup(i).NumRows())
	}
	if !slices.Equal(rows, []int64{20_000, 5_000}) {
		t.Errorf("%v", rows)
	}
}

// TestDigitsThatFitNoDecimalStandAlone: more than nine digits before or after the point.
func TestDigitsThatFitNoDecimalStandAlone(t *testing.T) {
	t.Parallel()
	cases := map[string]*int64{"12.3450": at(12_345_000_000), "-0.0000": at(0), "+0.5": at(500_000_000), "999999999.999999999": at(999_999_999_999_999_999),
		"1000000000": nil, "-1000000000.5": nil, "0.1234567891": nil, "0.1000000000": nil, "-999999999": at(-999_999_999_000_000_000)}
	var bodies []record.Body
	for digits := range cases {
		bodies = append(bodies, weighing(1, digits, "g", digits))
	}
	b, _ := out(t, lab(t, bodies...), request(export.Parquet))
	f, err := file.NewParquetReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	values := column[int64, *file.Int64ColumnChunkReader](t, f, "value")
	for i, digits := range texts(t, f, "digits") {
		want := cases[digits]
		if (want == nil) != (values[i] == nil) || want != nil && *want != *values[i] {
			t.Errorf("%s has the decimal %v", digits, values[i])
		}
	}
}

func at(n int64) *int64 { return &n }
