package learntest

import "golang.org/x/text/encoding/charmap"

// pages are the code pages that a balance may print in; nil is UTF-8.
var pages = map[string]*charmap.Charmap{
	"utf-8": nil, "latin-1": charmap.ISO8859_1, "cp437": charmap.CodePage437, "cp850": charmap.CodePage850,
}

// encode writes text in a code page. ok is false where the page lacks a character.
func encode(page, text string) (b []byte, ok bool) {
	table := pages[page]
	if table == nil {
		return []byte(text), true
	}
	for _, c := range text {
		if c < 0x80 {
			b = append(b, byte(c))
			continue
		}
		x, has := table.EncodeRune(c)
		if !has {
			return nil, false
		}
		b = append(b, x)
	}
	return b, true
}

// pageFor picks a code page that has all of the texts.
func pageFor(d dice, texts ...string) string {
	order := []string{"latin-1", "cp850", "cp437", "utf-8"}
	d.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	for _, name := range order {
		all := true
		for _, t := range texts {
			if _, ok := encode(name, t); !ok {
				all = false
			}
		}
		if all {
			return name
		}
	}
	return "utf-8"
}
