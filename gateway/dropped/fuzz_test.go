package dropped

import (
	"encoding/json"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// FuzzParse: no bytes make a panic, whatever is taken holds what records demand, and what JSON is here, encoding/json takes too.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{good1, "[" + good1 + "," + good1 + "]", "[]", "[[]]", `{"balance": "b-1", "balance": "b-2"}`, "id,lot\r\nLOT-1,\"a,\"\"b\"\r\n",
		"\ufeffid\nLOT-1\n", "id;lot\nA;B\n", "id,id\nA,B\n", "id,sample\nA,B\n", "id\n\"A\nB\"\n", `{"samples": [{"id": "A"}]}`, "id,expires\nA,2027-02-30\n", "id\nA,B\n"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, name := range []string{"a.json", "a.samples.json", "a.samples.csv"} {
			c, err := parse(name, b)
			if err != nil {
				if err.Error() == "" || !strings.HasSuffix(err.Error(), ".") {
					t.Errorf("%s: no sentence: %q", name, err)
				}
				continue
			}
			if (c.requests == nil) == (c.samples == nil) {
				t.Fatalf("%s: neither or both: %+v", name, c)
			}
			if name != "a.samples.csv" && !json.Valid([]byte(strings.TrimPrefix(string(b), "\ufeff"))) {
				t.Fatalf("%s: taken, and no JSON: %q", name, b)
			}
			if len(c.requests) > record.MostDropped {
				t.Fatal(len(c.requests))
			}
			for _, r := range c.requests {
				if r.Err == nil && record.CheckContextID(r.Balance) != nil {
					t.Fatalf("%+v", r)
				}
			}
			if c.samples != nil {
				for i := range c.samples.Samples {
					if err := c.samples.Samples[i].Check(); err != nil {
						t.Fatal(name, err)
					}
				}
			}
		}
	})
}

const good1 = `{"balance": "b-1", "sample": {"id": "LOT-1"}, "request": "42"}`

// TestTablesAsInRFC4180 holds the examples of RFC 4180, section 2, and what breaks its rules. The names of columns are ours.
func TestTablesAsInRFC4180(t *testing.T) {
	for _, ok := range []string{
		"id,box,bag\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",                     // rules 1 and 3
		"id,box,bag\r\naaa,bbb,ccc\r\nzzz,yyy,xxx",                         // rule 2: the last line may have no end
		"id,box,bag\r\n\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx\r\n",         // rule 5
		"id,box,bag\r\n\"aaa\",\"b\"\"bb\",\"ccc\"\r\nzzz,yyy,\"x,x\"\r\n", // rules 6 and 7
	} {
		list, err := parseCSV([]byte(ok))
		if err != nil || len(list) != 2 || list[0].ID != "aaa" || list[1].ID != "zzz" || list[0].Fields["bag"] != "ccc" {
			t.Errorf("%q: %+v, %v", ok, list, err)
		}
	}
	if list, _ := parseCSV([]byte("id,box\r\naaa,\"b\"\"b,b\"\r\n")); list[0].Fields["box"] != `b"b,b` {
		t.Errorf("%+v", list)
	}
	for bad, want := range map[string]string{
		"":                           "first row",
		"id;lot\r\nA;B\r\n":          "with commas between",
		"lot\r\nA\r\n":               "no column is named id",
		"id,id\r\nA,A\r\n":           "twice",
		"id,lot\r\nA\r\n":            "line 2",
		"id,lot\r\nA,B\r\nC,\"D\r\n": "RFC 4180",
		"id\r\nA\"B\r\n":             "line 2",
		"id\r\n\"A\r\nB\"\r\n":       "cannot be seen", // rule 6 allows it, and no id may hold it
		"id\r\nA \r\n":               "space",
		"id,lot\r\n,B\r\n":           "id of the sample is empty",
		"id\r\n\xff\r\n":             "UTF-8",
		"id,expires\r\nA,soon\r\n":   "line 2: expires",
	} {
		if _, err := parseCSV([]byte(bad)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}
