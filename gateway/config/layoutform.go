package config

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
)

// LayoutForm is a layout as JSON values, as Form gives a configuration: what is as it would be if nothing were written is left
// out. The text is that of a valid layout; of another one the form is empty.
func LayoutForm(text string) map[string]any {
	v := reflect.New(layout.Keys())
	if _, faults := strict.Load("layout", []byte(text), v.Interface()); len(faults) > 0 {
		return map[string]any{}
	}
	return former{}.object(v.Elem(), reflect.Zero(layout.Keys()))
}

// LayoutText writes a document as LayoutForm gives it as a layout file. The faults carry paths, and no lines.
func LayoutText(name string, doc map[string]any) ([]byte, strict.Faults) {
	if faults := holes(doc, ""); len(faults) > 0 {
		return nil, faults
	}
	var lines []string
	order := layoutKeys()
	keys := slices.SortedFunc(maps.Keys(doc), func(a, b string) int {
		if by := slices.Index(order, a) - slices.Index(order, b); by != 0 {
			return by
		}
		return strings.Compare(a, b)
	})
	for _, key := range keys {
		lines = append(lines, blockOf(key, doc[key], 0)...)
	}
	text := []byte(strings.Join(lines, "\n") + "\n")
	if _, err := layout.Parse(name, text); err != nil {
		faults, ok := err.(strict.Faults)
		if !ok {
			return nil, strict.Faults{{What: err.Error()}}
		}
		faults = slices.Clone(faults)
		for i := range faults {
			faults[i].File, faults[i].Line, faults[i].Column = "", 0, 0
		}
		return nil, faults
	}
	return text, nil
}

// layoutKeys are the keys at the top of a layout, in the order in which they are described.
func layoutKeys() (list []string) {
	for _, p := range properties(layout.Keys()) {
		list = append(list, p.key)
	}
	return list
}

// holes finds what has no value.
func holes(doc any, path string) (faults strict.Faults) {
	switch v := doc.(type) {
	case nil:
		return strict.Faults{{Path: path, What: "has no value: give one, or leave the key out"}}
	case []any:
		for i := range v {
			faults = append(faults, holes(v[i], fmt.Sprintf("%s[%d]", path, i))...)
		}
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(v)) {
			faults = append(faults, holes(v[key], strings.TrimPrefix(path+"."+key, "."))...)
		}
	}
	return faults
}

// Unwritten are layout files that are about to be written, by their path as the configuration names them.
type Unwritten map[string][]byte

// LayoutFile names the file in which a layout of a balance is kept that did not come from somebody's hand: another one for each
// text, so that none is ever written over.
func LayoutFile(balance string, text []byte) string {
	sum := sha256.Sum256(text)
	return "layouts/" + balance + "-" + hex.EncodeToString(sum[:6]) + ".yaml"
}
