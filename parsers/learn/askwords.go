package learn

import (
	"fmt"
	"slices"
)

// answeredWord uses what a person said of a slot's words, or of whether it was settled when a line was printed.
func (p *plan) answeredWord(i int, a *Answers) {
	s := &p.g.slots[i]
	said := map[string]string{}
	field := ""
	if p.asideOf(i) {
		return
	}
	for v := range p.g.distinct(s) {
		if m, ok := a.Words[v]; ok && !unitNamed(m) {
			said[v] = m
			if f := fieldOf(m); f != "" {
				field = f
			}
			if m == "ignore" {
				p.roles[i] = role{field: "ignore", why: "said to mean nothing for the weight"}
				return
			}
		}
	}
	if field == "" {
		for v, m := range p.bySettled(i, a) {
			said[v], field = m, "stability"
		}
	}
	if field == "" || p.taken(field) {
		return
	}
	p.roles[i] = role{field: field, why: "as the answers say", proven: true, said: true}
	// What one mark means says nothing of another: both may say stable, of gross and of net. A blank is its contrary.
	_, blank := p.g.distinct(s)[""]
	p.fill(i, field, said, blank)
}

// asideOf says that a slot holds one word in all lines, and that another slot has this word among others: it is the other that
// an answer speaks of.
func (p *plan) asideOf(i int) bool {
	counts := p.g.distinct(&p.g.slots[i])
	if len(counts) != 1 {
		return false
	}
	word := p.g.example(i)
	for k := range p.g.slots {
		if o := &p.g.slots[k]; k != i && k != p.weight && k != p.unit && o.kind != tokNumber {
			if c := p.g.distinct(o); len(c) > 1 && c[word] > 0 {
				return true
			}
		}
	}
	return false
}

// bySettled tells the words apart by the lines of which a person said whether the weight was settled: with one word it was
// and with another it was not. One of the two alone says nothing: the words may be those of a kind. The line that would show
// the other is asked for.
func (p *plan) bySettled(i int, a *Answers) map[string]string {
	s := &p.g.slots[i]
	said := map[string]string{}
	for _, set := range a.Settled {
		k := slices.Index(p.g.index, set.Line-1)
		if k < 0 {
			continue
		}
		m := map[bool]string{true: "stable", false: "unstable"}[set.Is]
		v := p.g.text(s, k)
		if before, ok := said[v]; ok && before != m {
			return nil
		}
		said[v] = m
	}
	counts := p.g.distinct(s)
	if len(said) == 0 || len(counts) < 2 || len(counts) > 4 {
		return nil
	}
	if all := values(said); !slices.Contains(all, "stable") || !slices.Contains(all, "unstable") {
		p.askSettled(i, said)
		return nil
	}
	return said
}

// askSettled asks whether the weight was settled in a line with a word of which nothing is said yet.
func (p *plan) askSettled(i int, said map[string]string) {
	for k := range p.g.lines {
		if _, ok := said[p.g.text(&p.g.slots[i], k)]; ok {
			continue
		}
		n := p.g.index[k] + 1
		p.ask(Question{Key: fmt.Sprintf("settled:%d", n), Frame: n, Text: fmt.Sprintf("Was the weight settled when line %d was printed?", n),
			Choices: []Choice{{"yes", "yes"}, {"no", "no"}}})
		return
	}
}

// askRare asks for a word that few lines have. Their lines are refused: it may say that the weight is out of range.
func (p *plan) askRare(i int, v string) {
	if v == "" {
		p.doubt("", "lines without one of the usual words are refused, since what that means is not known")
		return
	}
	p.askWord(i, v)
	p.doubts[len(p.doubts)-1].Text = fmt.Sprintf("what %q means is not known, and few lines have it: they are refused", v)
}

func (p *plan) askWord(i int, v string) {
	q := Question{Key: "word:" + v, Text: fmt.Sprintf("What does %q in the lines mean?", v)}
	for _, m := range meanings {
		q.Choices = append(q.Choices, Choice{m, m})
	}
	p.ask(q)
	p.doubt("word:"+v, "what %q means is not known: it is read as unknown", v)
}
