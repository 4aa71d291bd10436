package all

import (
	"reflect"
	"testing"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

func TestKinds(t *testing.T) {
	seen := make(map[string]bool)
	for _, k := range Kinds {
		if record.CheckName(k.Name) != nil || seen[k.Name] {
			t.Errorf("the kind %q cannot be told from others in a file", k.Name)
		}
		seen[k.Name] = true
		c := k.NewConfig()
		if c == k.NewConfig() {
			t.Errorf("%s: two sinks would share one configuration", k.Name)
		}
		r := strict.NewReport("empty")
		c.Check(r)
		if len(r.Faults()) == 0 {
			t.Errorf("%s: a sink without a destination passes", k.Name)
		}
		settings := reflect.TypeOf(c).Elem()
		for i := range settings.NumField() {
			if f := settings.Field(i); f.Tag.Get("yaml") == "" || f.Tag.Get("desc") == "" && f.Tag.Get("yaml") != ",inline" {
				t.Errorf("%s: the setting %s has no key or no description", k.Name, f.Name)
			}
		}
	}
}

// TestEveryKindCarriesWeighings: every kind carries weighings and results, whatever else it carries.
func TestEveryKindCarriesWeighings(t *testing.T) {
	for _, k := range Kinds {
		limited, ok := k.NewConfig().(Limited)
		if ok && !(limited.Carries(record.KindWeighing) && limited.Carries(record.KindResult)) {
			t.Errorf("%s does not carry what sinks are for", k.Name)
		}
	}
}
