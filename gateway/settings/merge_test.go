package settings

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
)

// TestMergePatch holds the table of RFC 7396, appendix A, row by row.
func TestMergePatch(t *testing.T) {
	for _, c := range []struct{ original, patch, result string }{
		{`{"a":"b"}`, `{"a":"c"}`, `{"a":"c"}`},
		{`{"a":"b"}`, `{"b":"c"}`, `{"a":"b","b":"c"}`},
		{`{"a":"b"}`, `{"a":null}`, `{}`},
		{`{"a":"b","b":"c"}`, `{"a":null}`, `{"b":"c"}`},
		{`{"a":["b"]}`, `{"a":"c"}`, `{"a":"c"}`},
		{`{"a":"c"}`, `{"a":["b"]}`, `{"a":["b"]}`},
		{`{"a":{"b":"c"}}`, `{"a":{"b":"d","c":null}}`, `{"a":{"b":"d"}}`},
		{`{"a":[{"b":"c"}]}`, `{"a":[1]}`, `{"a":[1]}`},
		{`["a","b"]`, `["c","d"]`, `["c","d"]`},
		{`{"a":"b"}`, `["c"]`, `["c"]`},
		{`{"a":"foo"}`, `null`, `null`},
		{`{"a":"foo"}`, `"bar"`, `"bar"`},
		{`{"e":null}`, `{"a":1}`, `{"e":null,"a":1}`},
		{`[1,2]`, `{"a":"b","c":null}`, `{"a":"b"}`},
		{`{}`, `{"a":{"bb":{"ccc":null}}}`, `{"a":{"bb":{}}}`},
	} {
		original, patch, want := decoded(t, c.original), decoded(t, c.patch), decoded(t, c.result)
		if got := MergePatch(original, patch); !reflect.DeepEqual(got, want) {
			t.Errorf("%s with %s: %v, want %s", c.original, c.patch, got, c.result)
		}
		if !reflect.DeepEqual(original, decoded(t, c.original)) || !reflect.DeepEqual(patch, decoded(t, c.patch)) {
			t.Errorf("%s with %s: what was given was changed", c.original, c.patch)
		}
	}
}

func decoded(t *testing.T, text string) any {
	t.Helper()
	v, err := Decode([]byte(text))
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return v
}

func TestDecodeRefuses(t *testing.T) {
	for text, want := range map[string]string{
		``: "no JSON", `{`: "no JSON", `{"a":1,"a":2}`: "twice", `{"a":{"b":1,"b":1}}`: "twice", `1 2`: "more follows",
		`{"a":1}x`: "more follows", strings.Repeat("[", 40) + strings.Repeat("]", 40): "too large", `{"a" 1}`: "no JSON", `[1,]`: "no JSON",
		"[" + strings.Repeat("1,", maxValues) + "1]": "too large",
	} {
		if v, err := Decode([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40s: %v, %v", text, v, err)
		}
	}
	if v, err := Decode([]byte(`{"a":1.50}`)); err != nil || v.(map[string]any)["a"] != json.Number("1.50") {
		t.Errorf("a number is not as written: %v, %v", v, err)
	}
}

func TestPolicyCoversItself(t *testing.T) {
	for _, c := range []struct {
		policy  Config
		section string
		covers  bool
	}{
		{Config{}, "settings", false}, {Config{Adopt: AdoptNone, Over: []string{"sinks"}}, "sinks", false},
		{Config{Adopt: AdoptOne}, "sinks", true}, {Config{Adopt: AdoptTwo}, "settings", true},
		{Config{Adopt: AdoptOne, Over: []string{"sinks"}}, "balances", false},
		{Config{Adopt: AdoptOne, Over: []string{"sinks"}}, "sinks", true},
		{Config{Adopt: AdoptTwo, Over: []string{"sinks"}}, "settings", true},
	} {
		if c.policy.Covers(c.section) != c.covers {
			t.Errorf("%+v, %s: not %t", c.policy, c.section, c.covers)
		}
	}
}
