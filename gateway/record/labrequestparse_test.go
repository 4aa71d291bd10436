package record

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

const wholeRequest = `{"id": "R-1", "procedure": "thousand-seed-mass", "version": 2, "items": [{"sample": "LOT-1003", "lot": "2026-07", "container": "V-1",
	"position": 3, "fields": {"Nr.": "7/ä"}}, {"sample": "LOT-1004"}], "parameters": {"portion": "10 g"}, "balance": "b-12", "priority": 2,
	"due": "2026-12-01T13:00:00+01:00", "job": "J-7", "task": "T/1", "fields": {"Prüfauftrag": "x y"}, "request": "42"}`

// TestALabRequestIsReadWhole: every word arrives, and is given back by the JSON of the entry as it was sent.
func TestALabRequestIsReadWhole(t *testing.T) {
	list, many, err := ParseLabRequests([]byte(wholeRequest), "lims")
	if err != nil || many || len(list) != 1 || list[0].Err != nil {
		t.Fatal(err, list)
	}
	b, err := json.Marshal(list[0].Request)
	want := `{"from":"lims","id":"R-1","procedure":"thousand-seed-mass","version":2,"items":[{"sample":"LOT-1003","lot":"2026-07","container":"V-1","position":3,` +
		`"fields":{"Nr.":"7/ä"}},{"sample":"LOT-1004"}],"parameters":{"portion":"10 g"},"balance":"b-12","priority":2,"due":"2026-12-01T12:00:00.000000Z",` +
		`"job":"J-7","task":"T/1","fields":{"Prüfauftrag":"x y"}}`
	if err != nil || string(b) != want || list[0].Mark != "42" {
		t.Errorf("%s\nnot\n%s", b, want)
	}
	list, many, err = ParseLabRequests([]byte(`[{"id":"R-1","change":{"priority":1,"due":null,"balance":null,"reason":"the customer waits"}},
		{"id":"R-2","from":"other","cancel":"the lot was withdrawn"}, {"id":"R-3","procedure":7}, {"id":"R-4","procedure":"p"}]`), "lims")
	if err != nil || !many || len(list) != 4 {
		t.Fatal(err, list)
	}
	c := list[0].Change
	if c == nil || c.Priority != 1 || !c.NotDue || c.Balance == nil || *c.Balance != "" || c.Reason != "the customer waits" {
		t.Errorf("%+v", c)
	}
	if list[1].Cancel != "the lot was withdrawn" || list[1].Request.From != "other" || list[2].Err == nil || list[2].Request.ID != "R-3" || list[3].Err != nil || list[3].Request.Priority != 5 {
		t.Errorf("%+v", list)
	}
}

// TestLabRequestsThatCannotBeTaken are refused with a sentence that says where; what can be read of their ids is kept for the answer.
func TestLabRequestsThatCannotBeTaken(t *testing.T) {
	for text, want := range map[string]string{
		`{"id":"R-1","procedure":"p","colour":"red"}`:  `"colour" is unknown`,
		`{"id":"R-1","procedure":"p","procedure":"q"}`: `there twice`,
		`{"id":"R-1","id":"R-2","procedure":"p"}`:      `there twice`,
		`{"id":"R-1"}`:                                                          `procedure is empty`,
		`{"procedure":"p"}`:                                                     `id is empty`,
		`{"id":"R 1 ","procedure":"p"}`:                                         `ends with a space`,
		`{"id":"R\u0000","procedure":"p"}`:                                      `cannot be seen`,
		`{"id":"R\u202e1","procedure":"p"}`:                                     `cannot be seen`,
		`{"id":"R-1","procedure":"p","priority":0}`:                             `priority is no number`,
		`{"id":"R-1","procedure":"p","priority":10}`:                            `priority is no number`,
		`{"id":"R-1","procedure":"p","priority":1.5}`:                           `priority is no number`,
		`{"id":"R-1","procedure":"p","priority":"1"}`:                           `priority is no number`,
		`{"id":"R-1","procedure":"p","version":-1}`:                             `version is no number`,
		`{"id":"R-1","procedure":"p","due":"tomorrow"}`:                         `due is no time`,
		`{"id":"R-1","procedure":"p","due":"2026-12-01"}`:                       `due is no time`,
		`{"id":"R-1","procedure":"p","items":{}}`:                               `items is a list`,
		`{"id":"R-1","procedure":"p","items":[{}]}`:                             `neither sample nor container`,
		`{"id":"R-1","procedure":"p","items":[{"sample":"A","weight":1}]}`:      `"weight" is unknown`,
		`{"id":"R-1","procedure":"p","items":[{"sample":"A","position":501}]}`:  `position is no number`,
		`{"id":"R-1","procedure":"p","parameters":{"a":1}}`:                     `"a" in parameters`,
		`{"id":"R-1","procedure":"p","parameters":{"a":"1\u001b[2J"}}`:          `cannot be seen`,
		`{"id":"R-1","procedure":"p","fields":{"":"x"}}`:                        `a name that is empty`,
		`{"id":"R-1","change":{}, "cancel":"why"}`:                              `at once`,
		`{"id":"R-1","change":{"priority":1},"job":"J"}`:                        `job stands beside a change`,
		`{"id":"R-1","change":{"job":"J"}}`:                                     `"job" is unknown`,
		`{"id":"R-1","cancel":""}`:                                              `the reason in cancel is missing`,
		`{"cancel":"why"}`:                                                      `id is empty`,
		`{"id":"R-1","procedure":"p","items":` + listOf(501) + `}`:              `more than 500`,
		`{"id":"R-1","procedure":"p","fields":` + objectOf(33) + `}`:            `more than 32 names`,
		`{"id":"R-1","procedure":"p","parameters":` + objectOf(101) + `}`:       `more than 100 names`,
		`{"id":"R-1","procedure":"p","job":"` + strings.Repeat("x", 129) + `"}`: `129 characters`,
		`{"id":"R-1","procedure":"p"` + strings.Repeat(" ", 256<<10) + `}`:      `at most 262144`,
	} {
		list, _, err := ParseLabRequests([]byte(text), "lims")
		if err != nil || len(list) != 1 || list[0].Err == nil || !strings.Contains(list[0].Err.Error(), want) {
			t.Errorf("%.90s: %v %+v, not %s", text, err, list, want)
			continue
		}
		if one := list[0]; one.Request.Procedure != "" || one.Change != nil || one.Cancel != "" || one.Request.From != "lims" ||
			one.Request.ID != "" && CheckContextID(one.Request.ID) != nil {
			t.Errorf("%.90s: %+v", text, one)
		}
	}
	for text, want := range map[string]string{``: "an object in JSON", `[]`: "is empty", `7`: "an object in JSON", `[[]]`: "an object in JSON", `{"id":"R-1"} {}`: "more follows",
		`[{"id":"R-1"}`: "a comma", `[` + strings.Repeat(`{"id":"R-1"},`, 100) + `{}]`: "more than 100", strings.Repeat("[", 1<<20): "an object in JSON",
		`{"id":` + strings.Repeat("[", 1<<20): "byte", `{"id":"R-1"`: "byte"} {
		if list, _, err := ParseLabRequests([]byte(text), "lims"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40s: %v %+v", text, err, list)
		}
	}
}

func listOf(n int) string {
	return `[` + strings.Repeat(`{"sample":"A"},`, n-1) + `{"sample":"A"}]`
}

func objectOf(n int) string {
	var all []string
	for i := range n {
		all = append(all, fmt.Sprintf(`"f%d":"x"`, i))
	}
	return `{` + strings.Join(all, ",") + `}`
}

// FuzzParseLabRequests: no bytes make a panic; what is taken is without fault, is JSON to others too, and says the same when it is read again.
func FuzzParseLabRequests(f *testing.F) {
	for _, seed := range []string{wholeRequest, `[` + wholeRequest + `]`, `{"id":"R-1","change":{"priority":1,"due":null}}`, `{"id":"R-1","cancel":"why"}`, `[[]]`, `{"id":null}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		list, _, err := ParseLabRequests(b, "lims")
		if err != nil {
			return
		}
		if !json.Valid(b) || len(list) > MostRequests {
			t.Fatalf("taken, and no JSON: %q", b)
		}
		for _, one := range list {
			if one.Err != nil || one.Change != nil || one.Cancel != "" {
				continue
			}
			again := one.Request
			if err := again.Check(); err != nil {
				t.Fatal(err)
			}
			text, err := json.Marshal(one.Request)
			if err != nil {
				t.Fatal(err)
			}
			back, _, err := ParseLabRequests(text, "other")
			if err != nil || back[0].Err != nil || !back[0].Request.Same(&one.Request) {
				t.Fatalf("%s: %v %+v", text, err, back)
			}
		}
	})
}
