package record_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

const head = `"schema":"weighpost.weighing/1","id":"s/i/b/000001","seq":7`

func TestParseEntryTakes(t *testing.T) {
	for _, c := range []struct{ raw, id, balance string }{
		{`{` + head + `}`, "s/i/b/000001", ""},
		{`{` + head + `,"balance":null}`, "s/i/b/000001", ""},
		{`{` + head + `,"balance":{}}`, "s/i/b/000001", ""},
		{`{` + head + `,"balance":{"place":"bench","id":"b-12"}}`, "s/i/b/000001", "b-12"},
		{` { "seq" : 7 , "id" : "\u0073/x" , "balance" : { "id" : "ä" } , "schema" : "weighpost.weighing\/1" } ` + "\r\n", "s/x", "ä"},
		{`{` + head + `,"later":[1,-0.5e+3,{"a":[true,false,null,""]}],"deep":{"id":1,"seq":"x","schema":[]}}`, "s/i/b/000001", ""},
	} {
		e, err := record.ParseEntry([]byte(c.raw))
		if err != nil || e.Seq != 7 || e.Kind != record.KindWeighing || e.ID != c.id || e.Balance != c.balance || string(e.JSON) != c.raw {
			t.Errorf("%s: %+v, %v", c.raw, e, err)
		}
	}
	// A kind that only a later version knows is still an entry: the format is additive.
	if e, err := record.ParseEntry([]byte(`{"schema":"weighpost.check/1","id":"x","seq":1}`)); err != nil || e.Kind != "check" {
		t.Errorf("an unknown kind: %+v, %v", e, err)
	}
}

func TestParseEntryRefuses(t *testing.T) {
	for raw, want := range map[string]string{
		``:                                  "an object should begin",
		`null`:                              "an object should begin",
		`[]`:                                "an object should begin",
		`"x"`:                               "an object should begin",
		`{`:                                 "name of a member",
		`{}`:                                "none of weighpost's",
		`{` + head:                          "comma or the end",
		`{` + head + `,}`:                   "name of a member",
		`{` + head + `} x`:                  "more follows",
		`{` + head + "}\x00":                "more follows",
		`{` + head + `}{}`:                  "more follows",
		`{` + head + `,"a":}`:               "a value should stand",
		`{` + head + `,"a":01}`:             "comma or the end",
		`{` + head + `,"a":.5}`:             "a value should stand",
		`{` + head + `,"a":1.}`:             "a digit",
		`{` + head + `,"a":1e}`:             "a digit",
		`{` + head + `,"a":-}`:              "a digit",
		`{` + head + `,"a":tru}`:            "a value should stand",
		`{` + head + `,"a":NaN}`:            "a value should stand",
		`{` + head + `,"a" 1}`:              "a colon",
		`{` + head + `,"a":"` + "\n" + `"}`: "control character",
		`{` + head + `,"a":"\x"}`:           "no such escape",
		`{` + head + `,"a":"\u12g4"}`:       "hexadecimal",
		`{` + head + `,"a":"\`:              "no end",
		`{` + head + `,"a":"`:               "no end",
		`{` + head + `,"a":[1 2]}`:          "end of the array",
		`{` + head + `,"id":"other"}`:       "id is there twice",
		`{` + head + `,"ID":"other"}`:       "could be taken for id",
		`{` + head + `,"\u0069d":"other"}`:  "written with escapes",
		`{` + head + `,"SEQ":8}`:            "could be taken for seq",
		`{` + head + `,"ſeq":8}`:            "could be taken for seq", // U+017F folds to s
		`{` + head + `,"balance":{"id":"a","Id":""}}`:                                    "could be taken for id",
		`{` + head + `,"balance":{"id":"a","id":""}}`:                                    "id is there twice",
		`{` + head + `,"balance":"b-12"}`:                                                "an object should begin",
		`{` + head + `,"balance":{"id":12}}`:                                             "id of the balance is no text",
		`{"schema":"weighpost.weighing/1","id":1,"seq":7}`:                               "id is no text",
		`{"schema":"weighpost.weighing/1","id":"x","seq":"7"}`:                           "seq is no whole number",
		`{"schema":"weighpost.weighing/1","id":"x","seq":-7}`:                            "seq is no whole number",
		`{"schema":"weighpost.weighing/1","id":"x","seq":7.0}`:                           "seq is no whole number",
		`{"schema":"weighpost.weighing/1","id":"x","seq":1e3}`:                           "seq is no whole number",
		`{"schema":"weighpost.weighing/1","id":"x","seq":18446744073709551616}`:          "seq is no whole number",
		`{"schema":"weighpost.weighing/1","id":"x"}`:                                     "never given its place",
		`{"schema":"weighpost.weighing/1","seq":7}`:                                      "never given its place",
		`{"schema":"weighpost.weighing/2","id":"x","seq":7}`:                             "entry 7 has the schema",
		`{"schema":"weighpost.weighing/10","id":"x","seq":7}`:                            "too old",
		`{"schema":"weighpost.weighing","id":"x","seq":7}`:                               "none of weighpost's",
		`{"schema":"weighpost./1","id":"x","seq":7}`:                                     "none of weighpost's",
		`{"schema":"other.weighing/1","id":"x","seq":7}`:                                 "none of weighpost's",
		`{"schema":{},"id":"x","seq":7}`:                                                 "schema is no text",
		`{` + head + `,"a":` + strings.Repeat("[", 1e6) + strings.Repeat("]", 1e6) + `}`: "too deep",
		strings.Repeat(`{"a":`, 1e5):                                                     "too deep",
	} {
		e, err := record.ParseEntry([]byte(raw))
		if err == nil || !strings.Contains(err.Error(), want) || e.JSON != nil {
			t.Errorf("%.80q: %+v, %v; want %q", raw, e, err, want)
		}
	}
}

// FuzzParseEntry holds ParseEntry against encoding/json: whatever it takes is JSON and means the same to both.
func FuzzParseEntry(f *testing.F) {
	f.Add(encode(f, weighing()))
	f.Add([]byte(`{` + head + `,"balance":{"id":"b"},"x":[1.5e-3,"\u00e4\n",{}]}`))
	f.Add([]byte(`{` + head + `,"ID":"y","balance":{"id":null}}`))
	f.Add([]byte(`{"seq":1,"seq":2}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		given := bytes.Clone(raw)
		e, err := record.ParseEntry(raw)
		if !bytes.Equal(raw, given) {
			t.Fatalf("ParseEntry changed %q to %q", given, raw)
		}
		var h struct {
			Schema, ID, Site string
			Seq              uint64
			Balance          struct{ ID string }
		}
		reference := json.Unmarshal(raw, &h)
		if err != nil {
			return
		}
		if reference != nil {
			t.Fatalf("%q is taken, but encoding/json says: %v", raw, reference)
		}
		if e.ID != h.ID || e.Seq != h.Seq || e.Kind.Schema() != h.Schema || e.Balance != h.Balance.ID {
			t.Fatalf("%q is %+v, but encoding/json has %+v", raw, e, h)
		}
	})
}

// TestWhatIsNoJSONIsNoEntry breaks a full weighing at every byte: with any byte changed it is taken only if it is JSON.
func TestWhatIsNoJSONIsNoEntry(t *testing.T) {
	raw := encode(t, weighing())
	taken, refused := 0, 0
	for i := range raw {
		for _, c := range []byte("\x00\"\\{}[]:,0x -.e\x80") {
			broken := bytes.Clone(raw)
			broken[i] = c
			_, err := record.ParseEntry(broken)
			if err == nil && !json.Valid(broken) {
				t.Fatalf("%q at %d is taken: %s", c, i, broken)
			}
			if err == nil {
				taken++
			} else {
				refused++
			}
		}
		if _, err := record.ParseEntry(raw[:i]); err == nil {
			t.Fatalf("the first %d bytes are taken for an entry", i)
		}
	}
	if taken == 0 || refused == 0 {
		t.Errorf("%d taken, %d refused", taken, refused)
	}
}
