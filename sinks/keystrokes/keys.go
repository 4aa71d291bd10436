package keystrokes

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode"
)

// stroke is one key with what is held beside it, as a keyboard reports it: a usage of the Keyboard/Keypad page (0x07) of the HID
// Usage Tables 1.4, section 10, and the bits of the modifier byte (HID 1.11, 8.3).
type stroke struct{ modifier, usage byte }

const leftShift = 0x02

// rows are the usages of the keys that print, in the rows of a keyboard, from left to right.
var rows = [4][]byte{
	{0x1e, 0x1f, 0x20, 0x21, 0x22, 0x23, 0x24, 0x25, 0x26, 0x27, 0x2d, 0x2e},
	{0x14, 0x1a, 0x08, 0x15, 0x17, 0x1c, 0x18, 0x0c, 0x12, 0x13, 0x2f, 0x30},
	{0x04, 0x16, 0x07, 0x09, 0x0a, 0x0b, 0x0d, 0x0e, 0x0f, 0x33, 0x34},
	{0x1d, 0x1b, 0x06, 0x19, 0x05, 0x11, 0x10, 0x36, 0x37, 0x38},
}

// printed is what the rows print, without and with shift. A blank is a key that prints nothing at once, as accents that wait for a
// letter.
type printed struct{ plain, shifted [4]string }

// keymaps are what computers take a key for, by the name of the map as it is common: us, gb, de, fr.
var keymaps = map[string]printed{
	"us": {[4]string{"1234567890-=", "qwertyuiop[]", "asdfghjkl;'", "zxcvbnm,./"}, [4]string{"!@#$%^&*()_+", "QWERTYUIOP{}", `ASDFGHJKL:"`, "ZXCVBNM<>?"}},
	"gb": {[4]string{"1234567890-=", "qwertyuiop[]", "asdfghjkl;'", "zxcvbnm,./"}, [4]string{`!"£$%^&*()_+`, "QWERTYUIOP{}", "ASDFGHJKL:@", "ZXCVBNM<>?"}},
	"de": {[4]string{"1234567890ß ", "qwertzuiopü+", "asdfghjklöä", "yxcvbnm,.-"}, [4]string{`!"§$%&/()=? `, "QWERTZUIOPÜ*", "ASDFGHJKLÖÄ", "YXCVBNM;:_"}},
	"fr": {[4]string{`&é"'(-è_çà)=`, "azertyuiop $", "qsdfghjklmù", "wxcvbn,;:!"}, [4]string{"1234567890°+", "AZERTYUIOP £", "QSDFGHJKLM%", "WXCVBN?./§"}},
}

// named are keys that print nothing, by the names of the configuration.
var named = map[string]stroke{
	"enter": {0, 0x28}, "escape": {0, 0x29}, "tab": {0, 0x2b}, "space": {0, 0x2c}, "home": {0, 0x4a}, "end": {0, 0x4d}, "delete": {0, 0x4c},
	"right": {0, 0x4f}, "left": {0, 0x50}, "down": {0, 0x51}, "up": {0, 0x52}, "backtab": {leftShift, 0x2b},
	"f1": {0, 0x3a}, "f2": {0, 0x3b}, "f3": {0, 0x3c}, "f4": {0, 0x3d}, "f5": {0, 0x3e}, "f6": {0, 0x3f}, "f7": {0, 0x40}, "f8": {0, 0x41}, "f9": {0, 0x42},
	"f10": {0, 0x43}, "f11": {0, 0x44}, "f12": {0, 0x45},
}

func keyNames() string { return strings.Join(slices.Sorted(maps.Keys(named)), ", ") }
func mapNames() string { return strings.Join(slices.Sorted(maps.Keys(keymaps)), ", ") }

// strokesOf gives the keys that make each character.
func (p printed) strokesOf() map[rune]stroke {
	keys := map[rune]stroke{' ': named["space"], '\t': named["tab"]}
	for modifier, texts := range map[byte][4]string{0: p.plain, leftShift: p.shifted} {
		for row, text := range texts {
			for at, r := range []rune(text) {
				if r != ' ' {
					keys[r] = stroke{modifier, rows[row][at]}
				}
			}
		}
	}
	return keys
}

// mostStrokes is the most keys that one entry may take.
const mostStrokes = 500

// typed turns a text into keys. A character that the map does not print is an error: nothing is left out or replaced.
func typed(keys map[rune]stroke, text string) (list []stroke, err error) {
	text = strings.ReplaceAll(text, "\r\n", "\n")
	for _, r := range text {
		s, there := keys[r]
		switch {
		case r == '\n':
			s = named["enter"]
		case !there && unicode.IsControl(r):
			return nil, fmt.Errorf("the text holds the control character %U, which is not typed", r)
		case !there:
			return nil, fmt.Errorf("the keyboard map has no key for %q", r)
		}
		list = append(list, s)
	}
	if len(list) > mostStrokes {
		return nil, fmt.Errorf("the text takes %d keys, and at most %d are typed for one entry", len(list), mostStrokes)
	}
	return list, nil
}
