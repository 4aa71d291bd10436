package strict

import (
	"cmp"
	"strings"
)

// nearest gives the allowed word that a mistyped one most likely stands for, or "" if none is close.
func nearest(word string, allowed []string) string {
	if len(word) > 64 {
		return ""
	}
	same := func(s string) string {
		return strings.ToLower(strings.NewReplacer("-", "", "_", "", " ", "").Replace(s))
	}
	best, least := "", 3
	beginning := ""
	for _, a := range allowed {
		if same(a) == same(word) {
			return a
		}
		if beginning == "" && len(word) >= 3 && strings.HasPrefix(a, word) {
			beginning = a
		}
		if d := distance(word, a); d < least && d*2 < len(a)+1 {
			best, least = a, d
		}
	}
	return cmp.Or(best, beginning)
}

// distance counts the letters to add, drop, change or swap with a neighbour to get from a to b (Damerau 1964, in the
// restricted form in which no letter is touched twice).
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	before, last, row := make([]int, len(t)+1), make([]int, len(t)+1), make([]int, len(t)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(s); i++ {
		row[0] = i
		for j := 1; j <= len(t); j++ {
			change := last[j-1]
			if s[i-1] != t[j-1] {
				change++
			}
			row[j] = min(last[j]+1, row[j-1]+1, change)
			if i > 1 && j > 1 && s[i-1] == t[j-2] && s[i-2] == t[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(t)]
}
