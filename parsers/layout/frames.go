package layout

import (
	"weighpost/parsers/frame"
	"weighpost/parsers/strict"
)

// lineEnds end a frame where the layout says nothing else.
var lineEnds = []string{"\r\n", "\n"}

// frame compiles what begins and ends a frame, once the check's trailer is known.
func (c *compiler) frame(r *strict.Report) {
	s := &c.source.Frame
	rule := frame.Rule{
		Start: c.mark(r.At("start"), s.Start), End: c.mark(r.At("end"), s.End),
		IdleGap: s.IdleGap.D(), Length: s.Length, MaxLength: s.MaxLength,
	}
	ends := s.Ends
	block := s.isBlock() || len(c.source.Block) > 0
	if !r.At("ends").Written() && (block || s.End == "" && s.Length == 0 && s.IdleGap == 0) {
		ends = lineEnds
	}
	for i, end := range ends {
		rule.Terminators = append(rule.Terminators, c.mark(r.At("ends").Index(i), end))
	}
	if s.isBlock() || len(c.source.Block) > 0 && s.End == "" {
		rule.Block = &frame.Block{
			First: c.patterns(r.At("block").At("first"), s.Block.First), Last: c.patterns(r.At("block").At("last"), s.Block.Last),
			BlankLines: s.Block.BlankLines, MaxLines: s.Block.MaxLines,
		}
	}
	if c.l.check != nil && c.l.check.after && s.End != "" {
		rule.Trailer = c.l.check.width()
	}
	if s.isBlock() && len(c.source.Block) == 0 {
		r.At("block").Fault("the frame is a print block, and the layout gives no lines for one", "block: with its lines")
	}
	for _, m := range rule.Check() {
		place := r
		for _, key := range ruleKeys[m.Field] {
			place = place.At(key)
		}
		place.Fault(m.What, m.Allowed)
	}
	c.l.rule = rule
}

// ruleKeys are the keys of a layout for the fields of a frame.Rule.
var ruleKeys = map[string][]string{
	"Terminators": {"ends"}, "Start": {"start"}, "End": {"end"}, "Trailer": {"end"}, "IdleGap": {"idle_gap"}, "Length": {"length"},
	"MaxLength": {"max_length"}, "Block": {"block"}, "Block.First": {"block", "first"}, "Block.Last": {"block", "last"},
	"Block.BlankLines": {"block", "blank_lines"}, "Block.MaxLines": {"block", "max_lines"},
}

func (c *compiler) patterns(r *strict.Report, texts []string) (patterns []frame.Pattern) {
	for i, text := range texts {
		patterns = append(patterns, frame.Pattern{Text: c.encode(r.Index(i), text)})
	}
	return patterns
}

// isBlock says that the file describes the frame as a print block.
func (s *frameSource) isBlock() bool {
	b := &s.Block
	return len(b.First) > 0 || len(b.Last) > 0 || b.BlankLines != 0 || b.MaxLines != 0
}
