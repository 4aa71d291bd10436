package secret

import (
	_ "embed"
	"fmt"
	"strings"
	"sync"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

//go:embed common.txt
var commonText string

// common holds the words of common.txt, each in the form that folded gives. There are some 480. NIST 3.1.1.2 asks for a list that
// is long enough for what can be tried before an account is locked, which is 100 guesses, and calls much longer ones of little use.
var common = sync.OnceValue(func() map[string]bool {
	all := map[string]bool{}
	for line := range strings.Lines(commonText) {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
			all[folded(line)] = true
		}
	}
	return all
})

// blocked says why a password would be tried first, or nil (NIST 3.1.1.2: commonly used, expected or compromised values, the
// name of the service and of the person, and what is derived of them). The whole password is compared, in any case and with
// whatever stands for letters, and never a part of it: a common word inside a long password is nobody's business.
func (p Policy) blocked(secret string, about []string) error {
	const advice = "choose several words that have nothing to do with each other or with you"
	bare := folded(secret)
	switch {
	case repeated(bare) || repeated(secret):
		return fmt.Errorf("this password is one piece repeated, which is tried first: %s", advice)
	case bare == "": // nothing but signs: they are as good as letters
		return nil
	case sequence(bare):
		return fmt.Errorf("this password is a sequence of the alphabet, of digits or of the keyboard, which is tried first: %s", advice)
	case made(bare, common()):
		return fmt.Errorf("this password is one that many people choose, or is made of such, which is tried first: %s", advice)
	}
	own := map[string]bool{}
	for _, word := range append([]string{p.Site, "weighpost"}, about...) {
		for _, form := range append(strings.FieldsFunc(word, notLetter), word) {
			if f := folded(form); len(f) >= 2 {
				own[f] = true
			}
		}
	}
	if madeOfBoth(bare, own) || made(folded(reversed(secret)), own) {
		return fmt.Errorf("this password is made of your name or id, the lab's or this program's, which is tried first: %s", advice)
	}
	return nil
}

func notLetter(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }

// looks maps what is written for a letter.
var looks = strings.NewReplacer("0", "o", "1", "i", "3", "e", "4", "a", "5", "s", "7", "t", "@", "a", "$", "s", "!", "i")

// folded gives the form in which passwords are compared: small letters, signs for the letters that they stand for, and neither
// spaces nor other signs.
func folded(s string) string {
	s = looks.Replace(strings.ToLower(norm.NFKC.String(s)))
	return strings.Map(func(r rune) rune {
		if notLetter(r) {
			return -1
		}
		return r
	}, s)
}

// made says whether the whole of s is one or two words of a set, with at most four digits (a year) before and after. Three
// words or more that have nothing to do with each other are what people are advised to take, common as each may be.
func made(s string, words map[string]bool) bool {
	return pieces(s, func(piece string) bool { return words[piece] }) <= 2
}

// madeOfBoth is as made, of a person's words and common ones together, at least one of them a person's own.
func madeOfBoth(s string, own map[string]bool) bool {
	return made(s, own) || withOwn(s, own, true) || withOwn(s, own, false)
}

// withOwn says whether a word of one's own stands at the beginning, or the end, and one common word is all the rest.
func withOwn(s string, own map[string]bool, first bool) bool {
	for word := range own {
		rest, ok := strings.CutSuffix(s, word)
		if first {
			rest, ok = strings.CutPrefix(s, word)
		}
		if ok && pieces(rest, func(piece string) bool { return own[piece] || common()[piece] }) <= 1 {
			return true
		}
	}
	return false
}

const none = 1 << 20 // more pieces than there can be

// pieces says of how few known pieces the whole of s can be put together, with at most four characters at either end that are
// digits, or what digits are folded to; none where it cannot.
func pieces(s string, known func(string) bool) int {
	r := []rune(s)
	fewest := make([]int, len(r)+1)
	for i := range fewest {
		if fewest[i] = none; i <= 4 && digits(r[:i]) {
			fewest[i] = 0
		}
	}
	for from := range r {
		for to := from + 1; fewest[from] < none && to <= min(len(r), from+longestWord); to++ {
			if fewest[from]+1 < fewest[to] && known(string(r[from:to])) {
				fewest[to] = fewest[from] + 1
			}
		}
	}
	least := none
	for end := max(0, len(r)-4); end <= len(r); end++ {
		if digits(r[end:]) {
			least = min(least, fewest[end])
		}
	}
	return least
}

const longestWord = 64 // characters of what is compared as one word

// digits says whether all are digits, or letters that folded makes of digits.
func digits(r []rune) bool {
	for _, c := range r {
		if !unicode.IsDigit(c) && !strings.ContainsRune("oieast", c) {
			return false
		}
	}
	return true
}

// repeated says whether s is one piece, twice or more often, the last time perhaps not whole.
func repeated(s string) bool {
	r := []rune(s)
	for n := 1; n <= len(r)/2; n++ {
		i := n
		for i < len(r) && r[i] == r[i-n] {
			i++
		}
		if i == len(r) {
			return true
		}
	}
	return false
}

// keyRows are what lies beside each other on keyboards, as folded gives it and as it is.
var keyRows = []string{"abcdefghijklmnopqrstuvwxyz", "0123456789", "1234567890", "qwertyuiopasdfghjklzxcvbnm", "qwertzuiopasdfghjklyxcvbnm",
	"azertyuiopqsdfghjklmwxcvbn", "1qaz2wsx3edc4rfv5tgb6yhn7ujm", "qazwsxedcrfvtgbyhnujmikolp", "1q2w3e4r5t6y7u8i9o0p"}

// sequence says whether all of s runs along such rows, forwards or backwards, in runs of three or more.
func sequence(s string) bool {
	rows := make([]string, 0, 4*len(keyRows))
	for _, row := range keyRows {
		rows = append(rows, row+row, reversed(row+row), folded(row+row), folded(reversed(row+row)))
	}
	for s != "" {
		n := 0
		for _, row := range rows {
			n = max(n, longestRun(s, row))
		}
		if n < min(3, len(s)) {
			return false
		}
		s = s[n:]
	}
	return true
}

// longestRun says how much of the beginning of s stands in row.
func longestRun(s, row string) int {
	n := 0
	for n < len(s) && strings.Contains(row, s[:n+1]) {
		n++
	}
	return n
}

func reversed(s string) string {
	r := []rune(s)
	for i, j := 0, len(r)-1; i < j; i, j = i+1, j-1 {
		r[i], r[j] = r[j], r[i]
	}
	return string(r)
}
