package record

import (
	"encoding/json"
	"testing"

	"pgregory.net/rapid"
)

// TestFieldAgreesWithTheStandardLibrary: in whatever white space and with whatever text, encoding/json finds the same values.
func TestFieldAgreesWithTheStandardLibrary(t *testing.T) {
	value := rapid.Deferred(func() *rapid.Generator[any] { return anyValue(3) })
	rapid.Check(t, func(t *rapid.T) {
		object := rapid.MapOf(rapid.StringMatching(`[a-z0-9_]{1,8}`), value).Draw(t, "object")
		raw, err := json.Marshal(object)
		if err == nil && rapid.Bool().Draw(t, "indented") {
			raw, err = json.MarshalIndent(object, "\r", "\t ")
		}
		if err != nil {
			t.Fatal(err)
		}
		all := map[string]json.RawMessage{}
		if err := json.Unmarshal(raw, &all); err != nil {
			t.Fatal(err)
		}
		for name, want := range all {
			if value, ok := Field(raw, name); !ok || string(value) != string(want) {
				t.Fatalf("%s: %s is %q (%v), and %q for encoding/json", raw, name, value, ok, want)
			}
		}
		if value, ok := Field(raw, "nowhere there"); value != nil || !ok {
			t.Fatalf("%s: what it has not is %q (%v)", raw, value, ok)
		}
		cut := raw[:rapid.IntRange(0, len(raw)-1).Draw(t, "cut")]
		if _, ok := Field(cut, "nowhere there"); ok {
			t.Fatalf("%q ends too early, and is read", cut)
		}
	})
}

func anyValue(depth int) *rapid.Generator[any] {
	text := rapid.OneOf(rapid.String(), rapid.StringMatching(`[\\"{},: \[\]]{0,6}`))
	one := []*rapid.Generator[any]{text.AsAny(), rapid.Int().AsAny(), rapid.Bool().AsAny(), rapid.Just[any](nil)}
	if depth > 0 {
		in := anyValue(depth - 1)
		one = append(one, rapid.SliceOfN(in, 0, 3).AsAny(), rapid.MapOfN(text, in, 0, 3).AsAny())
	}
	return rapid.OneOf(one...)
}

func TestFieldLeavesWhatIsOddToOthers(t *testing.T) {
	for _, odd := range []string{``, ` `, `[]`, `1`, `"a"`, `{`, `{"a"`, `{"a":`, `{"a":}`, `{"a":1,}`, `{"a":1 "b":2}`, `{"a":"\"}`, `{"ID":1}`, `{"\u0069d":1}`, `{"ſeq":1}`, `{a:1}`} {
		if value, ok := Field([]byte(odd), "id"); ok {
			t.Errorf("%q is read: %q", odd, value)
		}
	}
}

// FuzzField must not panic.
func FuzzField(f *testing.F) {
	f.Add([]byte(`{"id":"a\\\"","b":{"c":[1,2]},"d":1}`), "d")
	f.Fuzz(func(t *testing.T, raw []byte, name string) {
		if value, ok := Field(raw, name); len(value) > len(raw) || value != nil && !ok {
			t.Errorf("%q, %v", value, ok)
		}
	})
}
