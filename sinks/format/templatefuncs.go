package format

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"strings"
	"text/template"
	"time"
	"unicode/utf8"
)

// builtins are the functions of text/template that a template may use.
var builtins = map[string]bool{"and": true, "or": true, "not": true, "eq": true, "ne": true, "len": true}

// maxWidth is the widest that left and right make a text, in characters.
const maxWidth = 1000

// pureFuncs are the functions that a template may use beside builtins. The text comes last, so that it can be piped in.
var pureFuncs = template.FuncMap{
	"left": func(width int, text string) (string, error) {
		n, err := pad(width, text)
		return text + strings.Repeat(" ", n), err
	},
	"right": func(width int, text string) (string, error) {
		n, err := pad(width, text)
		return strings.Repeat(" ", n) + text, err
	},
	"upper":   strings.ToUpper,
	"lower":   strings.ToLower,
	"replace": replace,
	"comma": func(number string) string {
		return strings.Replace(number, ".", ",", 1)
	},
	"default": func(instead string, value any) (string, error) {
		switch v := value.(type) {
		case string:
			if v == "" {
				return instead, nil
			}
			return v, nil
		case *absent:
			return instead, nil
		}
		return "", errors.New("is given something that is no text")
	},
	"local": local,
	"index": index,
	"has": func(of any, name string) (bool, error) {
		all, ok := of.(fields)
		_, there := all[name]
		if _, none := of.(*absent); !ok && !none {
			return false, errors.New("needs something with fields, and a name")
		}
		return there, nil
	},
	"csv":  func(text string) string { return `"` + strings.ReplaceAll(text, `"`, `""`) + `"` },
	"json": func(text string) string { return string(appendJSON(nil, text)) },
	"xml": func(text string) (string, error) {
		var b bytes.Buffer
		err := xml.EscapeText(&b, []byte(text))
		return b.String(), err
	},
}

// pad counts the blanks that a text lacks. One that is too long is an error, and never cut.
func pad(width int, text string) (int, error) {
	n := width - utf8.RuneCountInString(text)
	switch {
	case width < 0 || width > maxWidth:
		return 0, fmt.Errorf("a width of %d is out of range: 0 to %d", width, maxWidth)
	case n < 0:
		return 0, fmt.Errorf("%.60q is longer than %d", text, width)
	}
	return n, nil
}

func replace(old, instead, text string) (string, error) {
	if old == "" {
		return "", errors.New("is to replace an empty text")
	}
	if len(text)+strings.Count(text, old)*len(instead) > maxPiece {
		return "", fmt.Errorf("makes more than %d bytes", maxPiece)
	}
	return strings.ReplaceAll(text, old, instead), nil
}

// index gives a field by its name or an item by its number, from 0. That of text/template gives nothing for a field that is not
// there, and prints that as a word.
func index(of, at any) (any, error) {
	switch of := of.(type) {
	case fields:
		if name, ok := at.(string); ok {
			if v, there := of[name]; there {
				return v, nil
			}
			return nil, fmt.Errorf("finds no field %q", name)
		}
	case items:
		if n, ok := at.(int); ok && n >= 0 && n < len(of) {
			return of[n], nil
		}
		return nil, fmt.Errorf("finds no item %v", at)
	}
	return nil, errors.New("needs something with fields and a name, or a list and a number")
}

// local writes the instant of a stamp by the clock of the place, in a form as Go's package time has it: "02.01.2006 15:04:05".
func local(form string, stamp fields) (string, error) {
	utc, _ := stamp["utc"].(string)
	at, err := time.Parse(time.RFC3339Nano, utc)
	if err != nil {
		return "", errors.New("is given something that is no stamp")
	}
	offset, _ := stamp["zone"].(string)
	zone, err := parseZone(offset)
	if err != nil {
		return "", errors.New("is given a stamp without the offset of its place")
	}
	return at.In(zone).Format(form), nil
}

// budget counts what filling in one entry costs.
type budget struct{ steps, made int }

// tick is called at the begin of each list of pieces, with how many they and their commands are.
func (b *budget) tick(pieces int) (string, error) {
	if b.steps -= 1 + pieces; b.steps < 0 {
		return "", fmt.Errorf("it takes more than %d steps", maxSteps)
	}
	return "", nil
}

func (b *budget) take(text string, err error) (string, error) {
	if err != nil {
		return "", err
	}
	if b.made -= len(text); b.made < 0 || len(text) > maxPiece {
		return "", errors.New("it makes too much text on the way")
	}
	return text, nil
}

// funcs are pureFuncs that pay from the budget.
func (b *budget) funcs() template.FuncMap {
	all := template.FuncMap{tickName: b.tick}
	for name, f := range pureFuncs {
		switch f := f.(type) {
		case func(string) string:
			all[name] = func(text string) (string, error) { return b.take(f(text), nil) }
		case func(string) (string, error):
			all[name] = func(text string) (string, error) { return b.take(f(text)) }
		case func(int, string) (string, error):
			all[name] = func(n int, text string) (string, error) { return b.take(f(n, text)) }
		case func(string, string, string) (string, error):
			all[name] = func(x, y, text string) (string, error) {
				if _, err := b.take(text, nil); err != nil { // it may make nothing of much
					return "", err
				}
				return b.take(f(x, y, text))
			}
		case func(string, any) (string, error):
			all[name] = func(x string, v any) (string, error) { return b.take(f(x, v)) }
		case func(any, any) (any, error), func(any, string) (bool, error):
			all[name] = f // it makes no text
		case func(string, fields) (string, error):
			all[name] = func(x string, v fields) (string, error) { return b.take(f(x, v)) }
		default:
			panic("format: the function " + name + " of templates pays nothing")
		}
	}
	return all
}
