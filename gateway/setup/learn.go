package setup

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/learn"
	"weighpost/parsers/unit"
)

// Learnt is what a sample and the answers about it told.
type Learnt struct {
	*learn.Result
	Answers learn.Answers // with what the person said
	// Open are the questions that nobody has answered and on whose answer a reading depends.
	Open []learn.Question
}

// notKnown is the answer of somebody who does not know.
const notKnown = "?"

// mostAsked is how many questions a person is asked about one sample.
const mostAsked = 40

// Learn works out a layout, and asks the person what the bytes do not say. Where nobody answers, or the answer is not known,
// the questions stay in Open. The error is that of learn.From, or of ctx.
func Learn(ctx context.Context, p Person, s learn.Sample, a learn.Answers) (*Learnt, error) {
	l := &Learnt{Answers: a}
	asked := map[string]bool{}
	for range mostAsked {
		r, err := learn.From(s, l.Answers)
		if err != nil {
			return nil, err
		}
		l.Result = r
		if w, ok := p.(interface{ Lines(Lines) }); ok {
			w.Lines(learntSoFar(r))
		}
		i := slices.IndexFunc(r.Questions, func(q learn.Question) bool { return !asked[q.Key] })
		if i < 0 {
			break
		}
		q := r.Questions[i]
		asked[q.Key] = true
		err = l.ask(ctx, p, q)
		if errors.Is(err, ErrNobody) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	l.Open = open(l.Result)
	return l, nil
}

// open are the questions that bear on a reading: all where there is no candidate or another explains the sample as well,
// otherwise those that settle a doubt.
func open(r *learn.Result) (list []learn.Question) {
	doubtful := len(r.Candidates) == 0 || len(r.Candidates) > 1 && r.Candidates[1].Equal
	for _, q := range r.Questions {
		if doubtful || slices.ContainsFunc(r.Candidates[0].Doubts, func(d learn.Doubt) bool { return d.Key == q.Key }) {
			list = append(list, q)
		}
	}
	return list
}

// ask puts one question, until its answer can be used.
func (l *Learnt) ask(ctx context.Context, p Person, q learn.Question) error {
	question := Question{Key: q.Key, Text: l.about(q), Choices: make([]Choice, 0, len(q.Choices)+1)}
	for _, c := range q.Choices {
		question.Choices = append(question.Choices, Choice{Value: c.Value, Text: c.Text})
	}
	if len(q.Choices) > 0 {
		question.Choices = append(question.Choices, Choice{Value: notKnown, Text: "not known"})
		question.Default = notKnown
	} else {
		question.Text += "\nEnter alone: not known."
	}
	for range mostAsked {
		answer, err := p.Ask(ctx, question)
		if err != nil {
			return err
		}
		if answer = strings.TrimSpace(answer); answer == "" || answer == notKnown {
			return nil
		}
		if err = l.Answers.Set(q, answer); err == nil {
			return nil
		}
		p.Tell(sentence(err.Error()))
	}
	return ErrNobody
}

// about is the text of a question with the line that it is about.
func (l *Learnt) about(q learn.Question) string {
	if q.Frame < 1 || q.Frame > len(l.Frames) || strings.Contains(q.Text, l.Frames[q.Frame-1].Text) {
		return q.Text
	}
	return fmt.Sprintf("Line %d:  %s\n%s", q.Frame, l.Frames[q.Frame-1].Text, q.Text)
}

// sentence begins an error as a sentence begins, and ends it so.
func sentence(s string) string {
	if s == "" {
		return s
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

// Readability is the smallest step that the weights of a sample show, as "0.0001 g", or "" where no layout reads a mass in
// it. It is a proposal: a balance with d = 0.0005 g may have printed nothing but multiples of 0.001 g. A step of 2 or 5 is
// proposed where every one of ten different weights or more is a multiple of it.
func Readability(l *layout.Layout, s learn.Sample) string {
	type printed struct {
		decimals int
		unit     string
	}
	seen := map[printed]map[string]bool{}
	var r layout.Reading
	each(l, s, func(f frame.Frame) {
		if l.Apply(f, &r) != nil || !r.HasNumber || r.Quantity != unit.Mass {
			return
		}
		digits := strings.TrimLeft(r.Digits(), "+-")
		_, decimals, _ := strings.Cut(digits, ".")
		key := printed{len(decimals), r.UnitCode()}
		if seen[key] == nil {
			seen[key] = map[string]bool{}
		}
		if strings.Trim(digits, "0.") != "" {
			seen[key][digits] = true
		}
	})
	var best printed
	for key, list := range seen {
		if len(list) > len(seen[best]) || len(list) == len(seen[best]) && (seen[best] == nil || key.decimals > best.decimals) {
			best = key
		}
	}
	if seen[best] == nil {
		return ""
	}
	return step(seen[best], best.decimals) + " " + best.unit
}

// step is the step of the last digit: 1, 2 or 5.
func step(weights map[string]bool, decimals int) string {
	last := "1"
	for _, s := range []struct{ digit, multiples string }{{"2", "02468"}, {"5", "05"}} {
		fits, other := len(weights) >= 10, false
		for w := range weights {
			fits = fits && strings.ContainsRune(s.multiples, rune(w[len(w)-1]))
			other = other || w[len(w)-1] != '0'
		}
		if fits && other {
			last = s.digit
		}
	}
	if decimals == 0 {
		return last
	}
	return "0." + strings.Repeat("0", decimals-1) + last
}

// each cuts a sample into the frames of a layout.
func each(l *layout.Layout, s learn.Sample, emit func(frame.Frame)) {
	splitter := l.Splitter()
	from := 0
	for _, p := range s.Pauses {
		if p > from && p <= len(s.Bytes) {
			splitter.Push(s.Bytes[from:p], emit)
			splitter.Idle(emit)
			from = p
		}
	}
	splitter.Push(s.Bytes[from:], emit)
	splitter.Idle(emit)
	splitter.Flush(emit)
}

// Take asks whether the best explanation is to be taken although questions are open. Where nobody answers it is not.
func (l *Learnt) Take(ctx context.Context, p Person) (bool, error) {
	if len(l.Candidates) == 0 {
		return false, nil
	}
	if len(l.Open) == 0 {
		return true, nil
	}
	var b strings.Builder
	b.WriteString("Not everything is known. The doubts about the best explanation:")
	for _, d := range l.Candidates[0].Doubts {
		b.WriteString("\n- " + d.Text)
	}
	for _, c := range l.Candidates[1:] {
		if c.Equal {
			b.WriteString("\n- Another explanation fits as well: " + c.Differs)
		}
	}
	answer, err := p.Ask(ctx, Question{Key: "take", Text: b.String() + "\nTake it all the same?", Default: "no",
		Choices: []Choice{{"no", "no, leave it"}, {"yes", "yes, with these doubts"}}})
	if errors.Is(err, ErrNobody) {
		return false, nil
	}
	return answer == "yes", err
}
