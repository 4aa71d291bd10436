package learn

import "strings"

// lineKey is how a line begins: its words up to the first number, or the kinds of its tokens where it begins with none.
func lineKey(b []byte, page codePage) string {
	toks := tokenize(b)
	var words []string
	for _, t := range toks {
		if t.kind != tokWord || len(words) == 3 || hasDigit(string(t.in(b))) {
			break
		}
		words = append(words, page.text(t.in(b)))
	}
	if len(words) == 0 {
		return "#" + signature(b, toks, page)
	}
	return strings.Join(words, " ")
}

// cyclic says that the frames come in turns of several kinds of lines, as the lines of print blocks do.
func cyclic(cuts []cut) bool {
	var keys []string
	for _, c := range cuts {
		if c.fault == "" && len(c.body) > 0 {
			keys = append(keys, lineKey(c.body, codePages[1]))
		}
	}
	for n := 2; n <= 24 && 3*n <= len(keys); n++ {
		same := 0
		for i := n; i < len(keys); i++ {
			if keys[i] == keys[i-n] {
				same++
			}
		}
		if same*10 >= (len(keys)-n)*6 && distinctKeys(keys[:n]) >= 2 && distinctKeys(keys) <= 3*n {
			return true
		}
	}
	return false
}

func distinctKeys(keys []string) int {
	seen := map[string]bool{}
	for _, k := range keys {
		seen[k] = true
	}
	return len(seen)
}
