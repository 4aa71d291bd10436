package settings

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
)

// MergePatch gives what a document is after a change in the form of RFC 7396, section 2. Neither of the two is changed; parts
// of both may be part of the result. Values are as Decode gives them.
func MergePatch(target, patch any) any {
	change, ok := patch.(map[string]any)
	if !ok {
		return patch
	}
	result := map[string]any{}
	if old, ok := target.(map[string]any); ok {
		result = maps.Clone(old)
	}
	for name, value := range change {
		if value == nil {
			delete(result, name)
		} else {
			result[name] = MergePatch(result[name], value)
		}
	}
	return result
}

// Bounds of a document that a program sends.
const (
	maxDepth  = 24
	maxValues = 20000
)

// Decode reads one JSON value: numbers stay as they are written (json.Number), and a name that is there twice in an object is
// refused, since nobody knows which of the two was meant. Errors are sentences without their full stop.
func Decode(b []byte) (any, error) {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	r := reader{d: d, left: maxValues}
	v, err := r.value(0)
	if err != nil {
		return nil, err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("more follows after the end of the value")
	}
	return v, nil
}

type reader struct {
	d    *json.Decoder
	left int
}

func (r *reader) value(depth int) (any, error) {
	if r.left--; r.left < 0 || depth > maxDepth {
		return nil, fmt.Errorf("is too large: at most %d values, %d within each other", maxValues, maxDepth)
	}
	t, err := r.d.Token()
	if err != nil {
		return nil, errors.New("is no JSON, or is cut off")
	}
	switch t {
	case json.Delim('{'):
		return r.object(depth)
	case json.Delim('['):
		list := []any{}
		for r.d.More() {
			v, err := r.value(depth + 1)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		_, err := r.d.Token()
		return list, err
	}
	return t, nil
}

func (r *reader) object(depth int) (any, error) {
	o := map[string]any{}
	for r.d.More() {
		t, err := r.d.Token()
		if err != nil {
			return nil, errors.New("is no JSON, or is cut off")
		}
		name, _ := t.(string)
		if _, twice := o[name]; twice {
			return nil, fmt.Errorf("has the name %.60q twice in one object", name)
		}
		if o[name], err = r.value(depth + 1); err != nil {
			return nil, err
		}
	}
	if _, err := r.d.Token(); err != nil {
		return nil, errors.New("is no JSON, or is cut off")
	}
	return o, nil
}
