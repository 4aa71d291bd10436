package strict

import (
	"encoding"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

var (
	wholeForm = regexp.MustCompile(`^-?(0|[1-9][0-9]*)$`)
	digits    = regexp.MustCompile(`^[-+]?0*([0-9]+)$`)

	durationType = reflect.TypeFor[Duration]()
	secretType   = reflect.TypeFor[Secret]()
)

// expects says in words what a Go type takes.
func expects(t reflect.Type, enum []string) string {
	switch {
	case len(enum) > 0:
		return strings.Join(enum, ", ")
	case t == durationType:
		return durationAllowed
	case t == secretType:
		return secretAllowed
	}
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Pointer:
		return expects(t.Elem(), enum)
	case reflect.Slice:
		return "a list"
	case reflect.Map, reflect.Struct:
		if !reflect.PointerTo(t).Implements(textUnmarshal) {
			return "a mapping (key: value)"
		}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		if t.Bits() == 64 {
			return "a whole number"
		}
		half := uint64(1) << (t.Bits() - 1)
		return fmt.Sprintf("a whole number from -%d to %d", half, half-1)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return fmt.Sprintf("a whole number from 0 to %d", uint64(math.MaxUint64)>>(64-t.Bits()))
	}
	return "a text"
}

// scalar fills one plain Go value.
func (w *walker) scalar(n *node, path string, v reflect.Value, enum []string) {
	allowed := expects(v.Type(), enum)
	if n.kind != scalar {
		w.fault(n.line, n.col, path, "is "+n.kind.String(), allowed)
		return
	}
	what := ""
	if u, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok {
		if err := u.UnmarshalText([]byte(n.text)); err != nil {
			what = err.Error()
			if allowed == "a text" {
				allowed = ""
			}
		}
	} else {
		what = setPlain(n, v)
	}
	if what == "" && len(enum) > 0 && !slices.Contains(enum, n.text) {
		what = show(n.text) + " is none of what is known here"
		if near := nearest(n.text, enum); near != "" {
			what = fmt.Sprintf("%s is not known: did you mean %q?", show(n.text), near)
		}
	}
	if what != "" {
		w.fault(n.line, n.col, path, what, allowed)
	}
}

// setPlain sets a string, a bool or a whole number, or says what is wrong.
func setPlain(n *node, v reflect.Value) string {
	switch v.Kind() {
	case reflect.String:
		v.SetString(n.text)
	case reflect.Bool:
		if n.quoted || n.text != "true" && n.text != "false" {
			return notThis(n, "neither true nor false")
		}
		v.SetBool(n.text == "true")
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		if what := whole(n); what != "" {
			return what
		}
		i, err := strconv.ParseInt(n.text, 10, v.Type().Bits())
		if err != nil {
			return show(n.text) + " is out of range"
		}
		v.SetInt(i)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		if what := whole(n); what != "" {
			return what
		}
		u, err := strconv.ParseUint(n.text, 10, v.Type().Bits())
		if err != nil {
			return show(n.text) + " is out of range"
		}
		v.SetUint(u)
	default:
		return fmt.Sprintf("strict: cannot fill a %s", v.Type())
	}
	return ""
}

// whole says what is wrong with a value that should be a whole number, or "".
func whole(n *node) string {
	switch {
	case n.quoted:
		return notThis(n, "")
	case wholeForm.MatchString(n.text):
		return ""
	case digits.MatchString(n.text):
		sign, rest := "", strings.TrimLeft(n.text, "+-")
		if n.text[0] == '-' {
			sign = "-"
		}
		if rest = strings.TrimLeft(rest, "0"); rest == "" {
			sign, rest = "", "0"
		}
		return fmt.Sprintf("%s is an odd way to write a number: write %s%s", show(n.text), sign, rest)
	}
	return notThis(n, "no whole number")
}

func notThis(n *node, what string) string {
	if n.quoted {
		return show(n.text) + " is a text in quotes: leave the quotes out"
	}
	return show(n.text) + " is " + what
}
