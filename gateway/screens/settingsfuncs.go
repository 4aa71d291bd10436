package screens

import (
	"encoding/json"

	"weighpost/gateway/record"
)

// asJSON writes a value for a script to read. It is put into an attribute, as text.
func asJSON(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}

// fieldItem is an item of a list and the field that it is in.
type fieldItem struct {
	Field *field
	Item  *item
}

func pairOf(f *field, i *item) fieldItem { return fieldItem{f, i} }

func actorName(a record.Actor) string { return shownActor(&a) }

// kindWord says what kind of destination it is.
func kindWord(kind string) string {
	if words := kindWords[kind]; words != "" {
		return words
	}
	return kind
}
