package format

import (
	"bytes"
	"errors"
	"math/big"
	"testing"
	"time"

	"github.com/apache/arrow-go/v18/parquet"
	"github.com/apache/arrow-go/v18/parquet/file"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

// TestAThousandWeighingsInParquet: out, and read back by the Apache project's own Go reader, which shares no code with what wrote
// them.
func TestAThousandWeighingsInParquet(t *testing.T) {
	entries := sinktest.Weighings(1000, 13)
	f := open(t, "format: parquet", Together)
	var b bytes.Buffer
	s, err := f.Stream(&b)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if err := s.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	var refused NotHeld
	if err := s.Add(record.Entry{Kind: record.KindWeighing, Seq: 1, JSON: []byte("[")}); !errors.As(err, &refused) {
		t.Errorf("an entry that cannot be read: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := file.NewParquetReader(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	texts := map[string][]string{}
	for _, name := range []string{"id", "balance", "digits", "unit", "printed_unit", "value_kind", "stability", "range", "sample"} {
		for _, v := range cells[parquet.ByteArray, *file.ByteArrayColumnChunkReader](t, r, name) {
			one := ""
			if v != nil {
				one = v.String()
			}
			texts[name] = append(texts[name], one)
		}
	}
	utc := cells[int64, *file.Int64ColumnChunkReader](t, r, "utc")
	values := cells[int64, *file.Int64ColumnChunkReader](t, r, "value")
	if len(utc) != len(entries) {
		t.Fatalf("%d rows of %d", len(utc), len(entries))
	}
	for i, e := range entries {
		want := sinktest.FactOf(t, e)
		got := sinktest.Fact{ID: texts["id"][i], Balance: texts["balance"][i], Digits: texts["digits"][i], Unit: texts["unit"][i],
			PrintedUnit: texts["printed_unit"][i], Kind: texts["value_kind"][i], Stability: texts["stability"][i], InRange: texts["range"][i],
			Sample: texts["sample"][i], UTC: time.UnixMicro(*utc[i]).UTC().Format("2006-01-02T15:04:05.000000Z")}
		if got != want {
			t.Fatalf("row %d:\n got  %+v\n want %+v", i, got, want)
		}
		exact, ok := new(big.Rat).SetString(want.Digits)
		if ok != (values[i] != nil) || ok && exact.Cmp(big.NewRat(*values[i], 1_000_000_000)) != 0 {
			t.Fatalf("%s stands beside %v", want.Digits, values[i])
		}
	}
}

// cells reads all of a column by name; absent values are nil.
func cells[T any, R interface {
	ReadBatch(int64, []T, []int16, []int16) (int64, int, error)
}](t *testing.T, f *file.Reader, name string) (all []*T) {
	t.Helper()
	for i := range f.NumRowGroups() {
		group := f.RowGroup(i)
		c, err := group.Column(f.MetaData().Schema.ColumnIndexByName(name))
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

// TestParquetIsTheSameEachTime, so that a batch that comes again is known by its bytes, and is not for single entries.
func TestParquetIsTheSameEachTime(t *testing.T) {
	f := open(t, "format: parquet", Together)
	var all [2]bytes.Buffer
	for i := range all {
		s, err := f.Stream(&all[i])
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range sinktest.Weighings(50, 1) {
			if err := s.Add(e); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond) // nothing of the clock may be in it
	}
	if !bytes.Equal(all[0].Bytes(), all[1].Bytes()) {
		t.Error("the files differ")
	}
	if _, err := f.Entry(sinktest.Weighings(1, 1)[0]); err == nil {
		t.Error("one entry became a file")
	}
	if _, faults := load("format: parquet", OneByOne); len(faults) != 1 {
		t.Error(faults)
	}
}
