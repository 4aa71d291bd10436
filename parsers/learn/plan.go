package learn

import (
	"fmt"
	"slices"
)

// role is what a slot is.
type role struct {
	field  string // a field of package layout, or "" for text that stands for itself
	why    string // the reason, for the comment in the layout
	textNo int    // of a text that a person may name, from 1
	proven bool   // by the weights themselves, or by a person
	said   bool   // by a person
	digits bool   // of a field that is ignored: digits and nothing else
	wide   bool   // keeps its width also where fields have none
}

// plan is one explanation of a grid: a role for each slot and how values are written.
type plan struct {
	g      *grid
	roles  []role
	weight int // number of the slot, -1 for none
	unit   int // likewise
	style  style

	kinds, stability, ranges map[string]string // tables: printed word to meaning
	unitWords                map[string]string
	unitAlways               string
	unitMissing              bool // a weight without unit is not stable
	missingUnit              string
	means                    meaningPair
	date                     dateOrder
	dateFits                 []dateOrder // orders that fit as well as one another, where the date is kept as printed
	doubts                   []Doubt
	questions                []Question
	reasons                  []string        // of the reading as a whole
	unsure                   bool            // a doubt bears on the reading
	used                     map[string]bool // fields that other lines of a block have
	texts0                   int             // how many texts those have
	unknowns                 int             // how many slots have a table of words that nobody knows
	block                    bool            // the grid is one line of a print block
	shown                    bool            // a display showed which number is the weight
	crowded                  bool            // no blank column stands between a text and the weight
}

// meaningPair is what a line means without printing it.
type meaningPair struct{ kind, stability string }

func (p *plan) doubt(key, format string, args ...any) {
	p.doubts = append(p.doubts, Doubt{Key: key, Text: fmt.Sprintf(format, args...)})
}

func (p *plan) ask(q Question) {
	if !slices.ContainsFunc(p.questions, func(o Question) bool { return o.Key == q.Key }) {
		p.questions = append(p.questions, q)
	}
}

// refusal is why a grid has no plan: a sentence and what to ask.
type refusal struct {
	why       string
	questions []Question
}

// explainGrid finds the roles of a grid's slots.
func explainGrid(g *grid, a *Answers, c *context) (*plan, *refusal) {
	return explainPlan(newPlan(g), a, c)
}

func explainPlan(p *plan, a *Answers, c *context) (*plan, *refusal) {
	if no := p.chooseWeight(a, c); no != nil {
		return nil, no
	}
	if w := &p.g.slots[p.weight]; p.g.present(w)*2 < len(p.g.lines) {
		return nil, &refusal{why: fmt.Sprintf("the number “%s” stands in few lines only", p.g.example(p.weight)), questions: []Question{p.displayQuestion()}}
	}
	if no := p.beyond(); no != nil {
		return nil, no
	}
	if no := p.torn(); no != nil {
		return nil, no
	}
	if no := p.strayBytes(); no != nil {
		return nil, no
	}
	if no := p.chooseStyle(a, c); no != nil {
		return nil, no
	}
	if no := p.gluedCounter(); no != nil {
		return nil, no
	}
	if no := p.readUnit(a, c); no != nil {
		return nil, no
	}
	p.dates(a, c)
	p.words(a, c)
	if no := p.grownDigit(); no != nil && !c.shows() {
		return nil, no
	}
	if no := p.looseSign(); no != nil {
		return nil, no
	}
	p.numbers(a, c)
	p.texts(a, c)
	p.openNames()
	if no := p.takeTurns(); no != nil {
		return nil, no
	}
	return p, nil
}

// context is what all grids of a sample share.
type context struct {
	frames  []cut
	display map[int]shown // by number of the frame
	anyShow []shown       // shown for no certain frame
	comma   bool          // something shows that commas are decimal signs here
}

// shows says that a display was said to have shown something: chooseStyle has found it among the weights, digit by digit.
func (c *context) shows() bool { return len(c.display)+len(c.anyShow) > 0 }
