package export_test

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"weighpost/gateway/export"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// TestACorrectedStampStandsBesideTheStamp: of three weighings the middle one is told to have been stamped 90 s too early. It
// alone has a corrected time, in every form that has columns; the stamp itself is as it was.
func TestACorrectedStampStandsBesideTheStamp(t *testing.T) {
	t.Parallel()
	s := stampAt(9)
	dir := lab(t, weighing(1, "1.0000", "g", "LOT-1"), weighing(2, "2.0000", "g", "LOT-2"), weighing(3, "3.0000", "g", "LOT-3"),
		&record.ClockCorrected{From: 2, To: 2, FromUTC: stampAt(2).UTC, ToUTC: stampAt(2).UTC, Offset: record.Offset(90 * time.Second),
			Bound: record.Span(2 * time.Second), Why: "the time server was wrong", By: record.Actor{ID: "ada", By: record.ActorHost}, Stamp: s})
	was, right := noon.Add(3*time.Second), noon.Add(93*time.Second)

	b, _ := out(t, dir, request(export.CSV))
	rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for i, name := range rows[0] {
		at[name] = i
	}
	for i, want := range []string{"", right.Format("2006-01-02T15:04:05.000000Z"), "", ""} {
		if got := rows[i+1][at["corrected_utc"]]; got != want {
			t.Errorf("CSV, entry %d: corrected to %q, not %q", i+1, got, want)
		}
	}
	if got := rows[2]; got[at["utc"]] != was.Format("2006-01-02T15:04:05.000000Z") || !strings.HasPrefix(got[at["corrected_bound_s"]], "2") {
		t.Errorf("CSV: %q", got)
	}

	b, _ = out(t, dir, request(export.Parquet))
	type columns struct {
		UTC       *int64 `parquet:"utc"`
		Corrected *int64 `parquet:"corrected_utc"`
	}
	list, err := parquet.Read[columns](bytes.NewReader(b), int64(len(b)))
	if err != nil || len(list) != 4 {
		t.Fatal(len(list), err)
	}
	for i, r := range list {
		if (r.Corrected != nil) != (i == 1) {
			t.Errorf("Parquet, entry %d: %v", i+1, r.Corrected)
		}
	}
	if r := list[1]; r.Corrected == nil || *r.Corrected != right.UnixMicro() || r.UTC == nil || *r.UTC != was.UnixMicro() {
		t.Errorf("Parquet: %+v", r)
	}

	needs.Programs(t, "pdftotext")
	file := pdfOf(t, dir)
	text := tool(t, file, "pdftotext", "-layout", file, "-")
	if strings.Count(text, "corrected to") != 1 || !strings.Contains(text, "12:01:33") || !strings.Contains(text, "12:00:03") {
		t.Errorf("PDF:\n%s", text)
	}
}
