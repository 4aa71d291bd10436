package record_test

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// TestActsOfTimeAndRefusal holds of the kinds here what TestBodies holds of the others.
func TestActsOfTimeAndRefusal(t *testing.T) {
	stamp, by := weighing().Stamp, record.Actor{ID: "weighpost", By: record.ActorSoftware}
	accuracy := record.Span(time.Second)
	for _, c := range []struct {
		body record.Body
		kind record.Kind
		says []string
	}{
		{&record.Timestamped{Size: 7, Checkpoint: "a\n", Token: []byte{48}, Accuracy: &accuracy, Policy: "1.2.3", By: by, Stamp: stamp},
			record.KindTimestamped, []string{`"token":"MA=="`, `"accuracy_s":1`}},
		{&record.ClockCorrected{From: 1, To: 9, Clock: record.ClockUnchecked, Offset: record.Offset(-3*time.Second - 12*time.Microsecond), By: by, Stamp: stamp},
			record.KindClockCorrected, []string{`"offset_s":"-3.000012"`, `"bound_s":0`}},
		{&record.Refused{What: "PUT /api/v1/balances/b-1/context", Address: "127.0.0.1", Times: 3, By: by, Stamp: stamp},
			record.KindRefused, []string{`"times":3`}},
	} {
		if c.body.Kind() != c.kind || c.body.Subject() != "" || !c.body.Time().Equal(stamp.UTC.Time()) {
			t.Errorf("%T is %s about %q at %v", c.body, c.body.Kind(), c.body.Subject(), c.body.Time())
		}
		*c.body.Identity() = record.Head{Schema: c.kind.Schema(), ID: "s/i/@/000009", Seq: 9, Site: "s"}
		raw := encode(t, c.body)
		for _, want := range c.says {
			if !strings.Contains(string(raw), want) {
				t.Errorf("%s lacks %s", raw, want)
			}
		}
		if e, err := record.ParseEntry(raw); err != nil || e.Kind != c.kind {
			t.Errorf("%+v, %v", e, err)
		}
		back := reflect.New(reflect.TypeOf(c.body).Elem()).Interface()
		if err := json.Unmarshal(raw, back); err != nil || string(encode(t, back)) != string(raw) {
			t.Errorf("%s came back as %s, %v", raw, encode(t, back), err)
		}
	}
}

func TestParseOffset(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"3.2": 3200 * time.Millisecond, "+3.2": 3200 * time.Millisecond, "-3.000012": -3000012 * time.Microsecond, "0": 0, "-0": 0,
		"0.000000001": 1, "-86400": -24 * time.Hour,
	} {
		if got, err := record.ParseOffset(text); err != nil || time.Duration(got) != want {
			t.Errorf("%q is %v, %v", text, time.Duration(got), err)
		}
	}
	for _, bad := range []string{"", "-", "+", "--1", "+-1", "1e3", " 1", "1 ", ".5", "0.0000000001", "99999999999", "1,5", "NaN", "0x1"} {
		if got, err := record.ParseOffset(bad); err == nil {
			t.Errorf("%q is taken as %v", bad, got)
		}
	}
}

// TestTheNewestCorrectionThatCoversAStampCounts: by sequence, by the stamp's own time and by the state of its clock.
func TestTheNewestCorrectionThatCoversAStampCounts(t *testing.T) {
	at := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	add := func(c *record.Corrections, seq uint64, b record.ClockCorrected) {
		t.Helper()
		b.Head = record.Head{Schema: record.KindClockCorrected.Schema(), ID: "s/i/@/000001", Seq: seq, Site: "s"}
		e, err := record.ParseEntry(encode(t, &b))
		if err == nil {
			err = c.Add(e)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	var c record.Corrections
	wide := record.ClockCorrected{From: 5, To: 10, FromUTC: record.UTC(at), ToUTC: record.UTC(at.Add(time.Hour)), Clock: record.ClockUnchecked,
		Offset: record.Offset(2 * time.Second), Bound: record.Span(time.Second)}
	narrow := wide
	narrow.From, narrow.To, narrow.Offset, narrow.Clock = 7, 7, record.Offset(-time.Second), ""
	add(&c, 30, narrow) // the order in which they are added does not count
	add(&c, 20, wide)
	add(&c, 20, wide)
	if c.Len() != 2 {
		t.Errorf("%d corrections", c.Len())
	}
	for _, x := range []struct {
		seq   uint64
		at    time.Duration
		clock string
		want  time.Duration // 0: none
		by    uint64
	}{
		{4, 0, record.ClockUnchecked, 0, 0}, {5, 0, record.ClockUnchecked, 2 * time.Second, 20}, {10, time.Hour, record.ClockUnchecked, 2 * time.Second, 20},
		{11, 0, record.ClockUnchecked, 0, 0}, {6, 0, record.ClockChecked, 0, 0}, {6, -1000, record.ClockUnchecked, 0, 0},
		{6, time.Hour + 1000, record.ClockUnchecked, 0, 0}, {7, 0, record.ClockUnchecked, -time.Second, 30}, {7, 0, record.ClockChecked, -time.Second, 30},
	} {
		got, ok := c.Of(x.seq, record.Stamp{UTC: record.UTC(at.Add(x.at)), Clock: x.clock})
		if ok != (x.by != 0) || ok && (got.By != x.by || !got.UTC.Time().Equal(at.Add(x.at+x.want))) {
			t.Errorf("entry %d, %v, %s: %+v %v", x.seq, x.at, x.clock, got, ok)
		}
	}
}

func TestStampOf(t *testing.T) {
	const stamp = `{"utc":"2026-11-25T10:00:00.000000Z","zone":"+01:00","bound_s":null,"clock":"unchecked","sources":0}`
	for raw, want := range map[string]bool{
		`{"stamp":` + stamp + `}`: true, `{"to":` + stamp + `}`: true, `{"to":"sha256:x","stamp":` + stamp + `}`: true, `{"to":"sha256:x"}`: false,
		`{"to":7}`: false, `{}`: false, `{"stamp":{"utc":7}}`: false, `[`: false,
	} {
		if s, ok := record.StampOf(record.Entry{JSON: []byte(raw)}); ok != want || ok && s.Clock != record.ClockUnchecked {
			t.Errorf("%s: %+v, %v", raw, s, ok)
		}
	}
}
