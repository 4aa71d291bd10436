package deliver

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// TestASinkMayWantEveryKind holds the schema's list against the kinds that there are.
func TestASinkMayWantEveryKind(t *testing.T) {
	field, _ := reflect.TypeFor[Config]().FieldByName("Entries")
	listed := strings.Split(field.Tag.Get("enum"), ",")
	want := []string{everything}
	for _, k := range record.Kinds() {
		want = append(want, string(k))
	}
	if !slices.Equal(listed, want) {
		t.Errorf("the schema lists %v, and there are %v", listed, want)
	}
	if c := (Config{Entries: []string{everything}}); !slices.Equal(c.Wants(), record.Kinds()) {
		t.Errorf("all is %v", c.Wants())
	}
}
