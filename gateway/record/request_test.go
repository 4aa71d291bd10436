package record_test

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

func TestParseContextRequestTakes(t *testing.T) {
	for raw, want := range map[string]record.ContextRequest{
		`{}`: {},
		` {"person":{"id":"p-07","for_s":3600},"sample":{"uses":1,"id":"LOT-1003"}} ` + "\n": {
			Person: &record.ContextItem{ID: "p-07", For: time.Hour}, Sample: &record.ContextItem{ID: "LOT-1003", Uses: 1}},
		`{"sample":null,"lot":{"id":""},"request":"n 42"}`: {
			Sample: &record.ContextItem{}, Lot: &record.ContextItem{}, Request: "n 42"},
		`{"method":{"id":"ISO 520","uses":-1,"for_s":0.25},"run":{"id":"r1"}}`: {
			Method: &record.ContextItem{ID: "ISO 520", Uses: -1, For: 250 * time.Millisecond}, Run: &record.ContextItem{ID: "r1"}},
		`{"fields":{"box":{"id":"B7"},"tray":null}}`: {
			Fields: map[string]*record.ContextItem{"box": {ID: "B7"}, "tray": {}}},
		`{"sign_out":true}`: {SignOut: true},
		`{"sample":null,"sent":"2026-11-25T10:04:05.25+01:00","valid_s":30}`: {Sample: &record.ContextItem{},
			Sent: time.Date(2026, 11, 25, 10, 4, 5, 250e6, time.FixedZone("", 3600)), Valid: 30 * time.Second},
		`{"sample":{"id":"L\u00e4rche \"A\""}}`: {Sample: &record.ContextItem{ID: `Lärche "A"`}},
	} {
		if got, err := record.ParseContextRequest([]byte(raw)); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v, %v", raw, got, err)
		}
	}
}

func TestParseContextRequestRefuses(t *testing.T) {
	long := strings.Repeat("x", 129)
	for raw, want := range map[string]string{
		``:                                             "has to be an object",
		`null`:                                         "has to be an object",
		`[]`:                                           "has to be an object",
		`{"sample":{"id":"a"}} {}`:                     "more follows",
		`{"sampel":{"id":"a"}}`:                        `"sampel" is unknown`,
		`{"Sample":{"id":"a"}}`:                        `"Sample" is unknown`,
		`{"sample":{"id":"a"},"sample":null}`:          `"sample" is there twice`,
		`{"s\u0061mple":{"id":"a"}}`:                   "with escapes",
		`{"sample":"a"}`:                               "sample has to be an object",
		`{"sample":{}}`:                                "sample has no id",
		`{"sample":{"id":7}}`:                          "the id of sample is no text",
		`{"sample":{"id":"a","ID":"b"}}`:               `"ID" is unknown`,
		`{"sample":{"id":"a","id":"b"}}`:               `"id" is there twice`,
		`{"sample":{"id":"","uses":1}}`:                "empty id, which ends it",
		`{"sample":{"id":"a\u001b[2J"}}`:               "U+001B",
		`{"sample":{"id":"a\u202eb"}}`:                 "U+202E",
		`{"sample":{"id":"a\ud800"}}`:                  "U+FFFD",
		"{\"sample\":{\"id\":\"a\xff\"}}":              "not UTF-8",
		`{"sample":{"id":" a"}}`:                       "begins or ends with a space",
		`{"sample":{"id":"` + long + `"}}`:             "has 129 characters",
		`{"sample":{"id":"a","for_s":0}}`:              "for_s of sample",
		`{"sample":{"id":"a","for_s":-1}}`:             "for_s of sample",
		`{"sample":{"id":"a","for_s":1e3}}`:            "for_s of sample",
		`{"sample":{"id":"a","for_s":"5"}}`:            "for_s of sample",
		`{"sample":{"id":"a","for_s":9e99}}`:           "for_s of sample",
		`{"sample":{"id":"a","uses":0}}`:               "uses of sample",
		`{"sample":{"id":"a","uses":1.5}}`:             "uses of sample",
		`{"sample":{"id":"a","uses":1000001}}`:         "uses of sample",
		`{"sample":{"id":"a","uses":null}}`:            "uses of sample",
		`{"fields":null}`:                              "fields has to be an object",
		`{"fields":{"Box":{"id":"a"}}}`:                `"Box" in fields`,
		`{"fields":{"lot":{"id":"a"}}}`:                `"lot" in fields is an item of its own`,
		`{"fields":{"box":{}}}`:                        "box has no id",
		`{"request":5}`:                                "request is no text",
		`{"sign_out":false}`:                           "sign_out is true",
		`{"sign_out":"true"}`:                          "sign_out is true",
		`{"sign_out":true,"sample":null}`:              "no item may stand beside it",
		`{"sign_out":true,"fields":{"box":null}}`:      "no item may stand beside it",
		`{"sent":"2026-11-25T10:04:05Z"}`:              "go together",
		`{"valid_s":30}`:                               "go together",
		`{"sent":"25.11.2026 10:04","valid_s":30}`:     "RFC 3339",
		`{"sent":1764065045,"valid_s":30}`:             "sent is no text",
		`{"sent":"2026-11-25T10:04:05Z","valid_s":-1}`: "valid_s",
		`{"request":"` + long[:65] + `"}`:              "request has 65 characters",
		strings.Repeat(" ", 16<<10) + `{}`:             "at most 16384",
	} {
		got, err := record.ParseContextRequest([]byte(raw))
		if err == nil || !strings.Contains(err.Error(), want) || !reflect.DeepEqual(got, record.ContextRequest{}) {
			t.Errorf("%.80s: %+v, %v; want %q", raw, got, err, want)
		}
	}
	got, err := record.ParseContextRequest([]byte(`{"request":"7","sample":5}`))
	if err == nil || !reflect.DeepEqual(got, record.ContextRequest{Request: "7"}) {
		t.Errorf("a refused request keeps its mark and nothing else: %+v, %v", got, err)
	}
}

// FuzzParseContextRequest holds the reader against encoding/json, which knows nothing of it: what is taken is JSON, means
// the same to both, and holds nothing that could not be shown.
func FuzzParseContextRequest(f *testing.F) {
	f.Add([]byte(`{"person":{"id":"p-07","for_s":3600},"sample":{"id":"LOT-1003","uses":1},"fields":{"box":{"id":"B7"}},"lot":null}`))
	f.Add([]byte(`{"sample":{"id":"\u202e"},"request":"1"}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		r, err := record.ParseContextRequest(raw)
		if err != nil {
			return
		}
		type item struct {
			ID  string      `json:"id"`
			For json.Number `json:"for_s"`
		}
		var other struct {
			Person, Sample, Method, Run, Lot *item
			Fields                           map[string]*item
			Request                          string
		}
		if err := json.Unmarshal(raw, &other); err != nil {
			t.Fatalf("taken, and no JSON: %v", err)
		}
		same := func(name string, ours *record.ContextItem, theirs *item) {
			if theirs == nil {
				theirs = &item{}
			}
			if ours != nil && (ours.ID != theirs.ID || ours.ID != "" && record.CheckContextID(ours.ID) != nil) || ours == nil && theirs.ID != "" {
				t.Fatalf("%s: %+v and %+v", name, ours, theirs)
			}
		}
		same("person", r.Person, other.Person)
		same("sample", r.Sample, other.Sample)
		same("method", r.Method, other.Method)
		same("run", r.Run, other.Run)
		same("lot", r.Lot, other.Lot)
		if len(r.Fields) != len(other.Fields) || r.Request != other.Request {
			t.Fatalf("%+v and %+v", r, other)
		}
		for name, ours := range r.Fields {
			same(name, ours, other.Fields[name])
		}
	})
}

func TestARequestGrowsTooOld(t *testing.T) {
	sent := time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC)
	r := record.ContextRequest{Sent: sent, Valid: 30 * time.Second}
	for _, c := range []struct {
		after, bound time.Duration
		want         string
	}{
		{0, 0, ""}, {30 * time.Second, 0, ""}, {-5 * time.Second, 0, ""}, {-20 * time.Second, 15 * time.Second, ""},
		{30*time.Second + time.Millisecond, time.Minute, "came too late"},
		{-5*time.Second - time.Millisecond, 0, "clocks"}, {-21 * time.Second, 15 * time.Second, "clocks"},
	} {
		err := r.CheckAge(sent.Add(c.after), c.bound)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s after it was sent, clock within %s: %v; want %q", c.after, c.bound, err, c.want)
		}
	}
	if err := new(record.ContextRequest).CheckAge(sent, 0); err != nil {
		t.Errorf("one that says nothing of its age: %v", err)
	}
}
