package learn_test

import (
	"cmp"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"weighpost/parsers/learn"
	"weighpost/parsers/learn/learntest"
)

// asked lets a person who has the balance and its manual answer whatever the learner asks, one question at a time.
func asked(b *learntest.Balance, s learn.Sample) (learn.Answers, int) {
	var a learn.Answers
	done := map[string]bool{}
	for n := 0; n < 20; n++ {
		r, err := guarded(s, a)
		if err != nil {
			return a, n
		}
		i := slices.IndexFunc(r.Questions, func(q learn.Question) bool { return !done[q.Key] })
		if i < 0 {
			return a, n
		}
		q := r.Questions[i]
		done[q.Key] = true
		if text := answer(b, r, q); text != "" {
			_ = a.Set(q, text) // an answer that it will not have is one that it does not get
		}
	}
	return a, 20
}

// answer is what the person says, "" for "I do not know".
func answer(b *learntest.Balance, r *learn.Result, q learn.Question) string {
	what, rest, _ := strings.Cut(q.Key, ":")
	switch what {
	case "display", "settled":
		n, _ := strconv.Atoi(rest)
		f := printAt(b, r, n)
		switch {
		case f == nil || f.Sort != learntest.Weight:
			return ""
		case what == "display":
			return f.Display
		case f.Moving:
			return "no"
		}
		return "yes"
	case "word":
		return cmp.Or(b.Manual.Words[rest], "unknown")
	case "unit":
		return unitIn(b, rest)
	case "decimal":
		return map[bool]string{true: "comma", false: "point"}[b.Manual.Comma]
	case "check":
		return b.Manual.Check
	case "date":
		for _, c := range q.Choices {
			letters := strings.NewReplacer("day", "d", "month", "m", "year", "y").Replace(c.Value)
			if strings.Map(func(r rune) rune {
				if strings.ContainsRune("dmy", r) {
					return r
				}
				return -1
			}, letters) == b.Manual.DateOrder {
				return c.Value
			}
		}
	case "number":
		return numberIn(b, q)
	case "text":
		return textIn(b, q)
	}
	return ""
}

// printAt is the print that a frame of the result is, or nil.
func printAt(b *learntest.Balance, r *learn.Result, n int) *learntest.Frame {
	if n < 1 || n > len(r.Frames) {
		return nil
	}
	at := 0
	for i := range b.Frames[:b.Sampled] {
		f := &b.Frames[i]
		if offset := r.Frames[n-1].Offset; offset < at+f.To && offset+len(r.Frames[n-1].Bytes) > at+f.From {
			return f
		}
		at += len(f.Bytes)
	}
	return nil
}

// unitIn is the unit of the sample's last weight, of the last that is printed with the symbol if the question is about one.
func unitIn(b *learntest.Balance, symbol string) (unit string) {
	whole := regexp.MustCompile(`(^|[^\pL])` + regexp.QuoteMeta(symbol) + `([^\pL]|$)`)
	for _, f := range b.Frames[:b.Sampled] {
		if f.Sort == learntest.Weight && (unit == "" || whole.Match(f.Bytes)) {
			unit = f.Truth.Unit
		}
	}
	return unit
}

// numberIn finds the choice that shows a weight of the sample.
func numberIn(b *learntest.Balance, q learn.Question) string {
	for _, c := range q.Choices {
		for _, f := range b.Frames[:b.Sampled] {
			digits := strings.TrimLeft(f.Truth.Digits, "+-0")
			plain := strings.NewReplacer(",", ".", " ", "", "'", "").Replace(c.Text)
			if f.Sort == learntest.Weight && len(digits) > 3 && strings.Contains(plain, digits) {
				return c.Value
			}
		}
	}
	return ""
}

// textIn says what the text is that a question shows in quotes.
func textIn(b *learntest.Balance, q learn.Question) string {
	parts := strings.Split(q.Text, `"`)
	if len(parts) < 3 {
		return ""
	}
	shown := strings.TrimSpace(parts[1])
	for _, f := range b.Frames[:b.Sampled] {
		for name, text := range map[string]string{"sample": f.Truth.Sample, "person": f.Truth.Person, "balance": f.Truth.Balance,
			"range_number": f.Truth.RangeNumber, "count": f.Truth.Count} {
			if text == shown {
				return name
			}
		}
	}
	return "ignore"
}
