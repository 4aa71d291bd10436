package record_test

import (
	"encoding/csv"
	"encoding/json"
	"math/big"
	"os"
	"testing"
	"time"

	"pgregory.net/rapid"

	"weighpost/gateway/record"
)

// TestInstantsOfRFC3339 reads testdata/timestamps_rfc3339.csv: texts and POSIX seconds after RFC 3339 sections 5.6 and 5.8
// and ISO 8601. Leap seconds, lower case and a space are valid there and refused here: we never write them.
func TestInstantsOfRFC3339(t *testing.T) {
	f, err := os.Open("testdata/timestamps_rfc3339.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 25 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		text, valid, seconds, library := row[0], row[1] == "yes", row[2], row[3] == "accepts"
		var u record.UTC
		err := json.Unmarshal(encode(t, text), &u)
		if want := valid && library; (err == nil) != want {
			t.Errorf("%s (%s): %v, want it read: %v", text, row[4], err, want)
			continue
		}
		if err != nil {
			continue
		}
		want, _ := new(big.Rat).SetString(seconds)
		got := new(big.Rat).SetInt64(u.Time().Unix())
		got.Add(got, big.NewRat(int64(u.Time().Nanosecond()), 1e9))
		if got.Cmp(want) != 0 || u.Time().Location() != time.UTC {
			t.Errorf("%s is %v, want %v", text, u, seconds)
		}
	}
}

func TestInstantsAreWrittenInOneForm(t *testing.T) {
	for _, c := range []struct {
		at   time.Time
		want string
	}{
		{instant, `"2026-11-25T10:04:05.123456Z"`},
		{time.Date(2026, 11, 25, 11, 4, 5, 0, time.FixedZone("", 3600)), `"2026-11-25T10:04:05.000000Z"`},
		{time.Date(2026, 11, 25, 10, 4, 5, 999, time.UTC), `"2026-11-25T10:04:05.000000Z"`},
		{time.Date(9999, 12, 31, 23, 59, 59, 999999999, time.UTC), `"9999-12-31T23:59:59.999999Z"`},
	} {
		if got := string(encode(t, record.UTC(c.at))); got != c.want {
			t.Errorf("%v is written %s, want %s", c.at, got, c.want)
		}
	}
	for _, year := range []int{-1, 10000} {
		if raw, err := json.Marshal(record.UTC(time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC))); err == nil {
			t.Errorf("the year %d is written %s", year, raw)
		}
	}
	for _, bad := range []string{`1795601045`, `""`, `{}`, `"2026-11-25T10:04:05.123456Z "`} {
		var u record.UTC
		if err := json.Unmarshal([]byte(bad), &u); err == nil {
			t.Errorf("%s is read as %v", bad, u)
		}
	}
}

func TestSpansAreDecimalSeconds(t *testing.T) {
	for _, c := range []struct {
		span time.Duration
		want string
	}{
		{0, "0"},
		{21 * time.Millisecond, "0.021"},
		{time.Second, "1"},
		{90 * time.Second, "90"},
		{100 * time.Second, "100"},
		{1500 * time.Microsecond, "0.0015"},
		{1, "0.000001"}, // rounded up: a bound stays a bound
		{time.Microsecond + 1, "0.000002"},
		{time.Second - 1, "1"},
		{1<<63 - 1, "9223372036.854776"},
	} {
		if got := string(encode(t, record.Span(c.span))); got != c.want {
			t.Errorf("%v is written %s, want %s", c.span, got, c.want)
		}
	}
	if raw, err := json.Marshal(record.Span(-1)); err == nil {
		t.Errorf("a negative span is written %s", raw)
	}
	for _, bad := range []string{"-1", "1e3", `"1"`, "0.0000000001", "9999999999999", "true", "[]", "1.5e0"} {
		s := record.Span(7)
		if err := json.Unmarshal([]byte(bad), &s); err == nil {
			t.Errorf("%s is read as %v", bad, time.Duration(s))
		}
	}
}

// TestSpansComeBackNeverShorter writes and reads any span: it returns as it was, rounded up to the microsecond.
func TestSpansComeBackNeverShorter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Below 2^33 s, which is as far as a span is read; the longest Duration is a little more.
		given := time.Duration(rapid.Int64Range(0, 1<<33*1e9-1000).Draw(t, "span"))
		raw, err := json.Marshal(record.Span(given))
		if err != nil {
			t.Fatal(err)
		}
		var back record.Span
		if err := json.Unmarshal(raw, &back); err != nil {
			t.Fatalf("%s: %v", raw, err)
		}
		if longer := time.Duration(back) - given; longer < 0 || longer >= time.Microsecond {
			t.Fatalf("%v came back as %v by way of %s", given, time.Duration(back), raw)
		}
		exact, _ := new(big.Rat).SetString(string(raw))
		if exact.Mul(exact, big.NewRat(1e9, 1)).Cmp(new(big.Rat).SetInt64(int64(back))) != 0 {
			t.Fatalf("%s was read as %d ns", raw, back)
		}
	})
}
