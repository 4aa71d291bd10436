package visit

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"weighpost/gateway/console"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/setup"
)

// Tell keeps what the walk tells.
func (v *visit) Tell(text string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if text = strings.Trim(forPage(text), "\n"); text == "" {
		return
	}
	said := console.VisitSaid{At: record.UTC(time.Now().UTC()), Text: text}
	list := append(v.shown.Said, said)
	v.shown.Said = list[max(0, len(list)-mostSaid):]
	v.put(console.VisitEvent{Said: &said}, len(text))
}

// Listing is what is shown in data as well.
func (v *visit) Listing(string) {}

// Ask waits for an answer from whoever is at the page.
func (v *visit) Ask(ctx context.Context, q setup.Question) (string, error) {
	v.mu.Lock()
	v.number++
	a := &asked{question: shownQuestion(q), answer: make(chan string, 1), values: map[string]string{}}
	for _, c := range q.Choices {
		a.values[harmless(c.Value)] = c.Value
	}
	a.question.Number = v.number
	v.ask = a
	v.changed()
	v.mu.Unlock()
	select {
	case answer := <-a.answer:
		return answer, nil
	case <-ctx.Done():
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.ask == a {
		v.ask = nil
		v.changed()
	}
	return "", context.Cause(ctx)
}

// Waiting shows that the balance is waited for.
func (v *visit) Waiting(text string, back func()) (over func()) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.number++
	v.wait = &asked{back: back, question: console.VisitQuestion{Number: v.number, Key: "wait", Kind: kindWait, Text: forPage(text), Choices: []console.VisitChoice{}, Back: true}}
	v.changed()
	return func() {
		v.mu.Lock()
		defer v.mu.Unlock()
		v.wait = nil
		v.changed()
	}
}

// Step begins a step. What was told before it is gone, but for what still counts.
func (v *visit) Step(n int) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if n != v.shown.Step {
		v.shown.Said = nil
	}
	v.shown.Step = n
	if n <= 3 {
		v.shown.Lines = nil
	}
	if n <= 5 {
		v.shown.Reading, v.shown.Summary = "", ""
	}
	v.changed()
}

// Line shows the port, and how it is set.
func (v *visit) Line(c port.Config) {
	v.mu.Lock()
	defer v.mu.Unlock()
	settings := c.Settings()
	if v.shown.Port == c.Address && v.shown.Settings == settings {
		return
	}
	v.shown.Port, v.shown.Settings = c.Address, settings
	v.changed()
}

// Lines shows the lines of the balance and their pieces.
func (v *visit) Lines(l setup.Lines) {
	shown := shownLines(l)
	v.mu.Lock()
	defer v.mu.Unlock()
	v.shown.Lines = shown
	v.changed()
}

// Reads shows the test weighing.
func (v *visit) Reads(reading string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.shown.Reading = harmless(reading)
	v.changed()
}

// Summary shows what goes into the configuration.
func (v *visit) Summary(_, block, layout string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.shown.Summary = harmless(strings.TrimRight(block, "\n"))
	if layout != "" {
		v.shown.Summary += "\n\nThe layout goes into " + filepath.Base(filepath.Dir(layout)) + "/" + filepath.Base(layout) + ", beside the configuration."
	}
	v.changed()
}

// taken is an answer as the question allows it.
func taken(q console.VisitQuestion, answer string) (string, error) {
	refused := func(format string, args ...any) (string, error) {
		return "", &console.VisitRefused{Why: fmt.Sprintf(format, args...)}
	}
	if len(answer) > mostOfAnswer || !utf8.ValidString(answer) || strings.ContainsFunc(answer, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return refused("the answer is longer than %d bytes, or holds characters that are none of a text", mostOfAnswer)
	}
	answer = strings.TrimSpace(answer)
	word := strings.ToLower(answer)
	among := slices.ContainsFunc(q.Choices, func(c console.VisitChoice) bool { return c.Value == answer })
	switch {
	case among:
	case word == "back" && q.Back:
		return "back", nil
	case word == "back", word == "stop": // words of the walk itself
		return refused("%s cannot be the answer here", word)
	case q.Kind == kindWait:
		return refused("the balance is waited for: back is all that can be said")
	case answer == "":
		answer = q.Default
		if answer == "" && len(q.Choices) > 0 {
			return refused("choose one of the answers")
		}
	case len(q.Choices) > 0:
		return refused("%.80q is none of the answers to this question", answer)
	}
	return answer, nil
}

// answer takes an answer from somebody.
func (v *visit) answer(who rights.Who, a console.VisitAnswer) error {
	refused := func(format string, args ...any) error {
		return &console.VisitRefused{Why: fmt.Sprintf(format, args...)}
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	asked := v.ask
	if asked == nil {
		asked = v.wait
	}
	switch {
	case !v.end.IsZero():
		return refused("this has ended: nothing is asked any more")
	case asked == nil || asked.question.Number != a.Question:
		return refused("this question is not asked any more: look at what is asked now")
	}
	text, err := taken(asked.question, a.Answer)
	if err != nil {
		return err
	}
	v.heard()
	if asked == v.wait {
		v.wait = nil
		asked.back()
		v.changed()
		return nil
	}
	if asked.question.Reason && text == "yes" {
		if err := record.CheckReason(a.Reason); err != nil {
			return refused("the reason %v", err)
		}
	}
	v.last = speaker{who, a.By, a.Reason}
	v.ask = nil
	if value, ok := asked.values[text]; ok {
		text = value
	}
	asked.answer <- text
	v.changed()
	return nil
}
