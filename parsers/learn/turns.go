package learn

import (
	"fmt"
	"slices"
	"strings"
)

// singlePrints explains lines that only take turns as prints of their own, where nothing but their order speaks for a block
// and each line reads so; else it is nil. A block would read one weight of its lines and swallow the others.
func singlePrints(f *framing, shape *blockShape, s Sample, a *Answers) *solution {
	if shape.blanks > 0 || shape.inside || a.Number > 0 || shape.added() || shape.apart(s) {
		return nil
	}
	for _, key := range shape.keys {
		if bodies, _ := shape.of(key); !shape.weighs(bodies) {
			return nil
		}
	}
	sol, _ := solve(f, s, a)
	if sol == nil || len(sol.read)+1 < len(sol.cuts) {
		return nil
	}
	return sol
}

// weighs says that nearly every line holds a number with a unit of mass behind it or before it, and one only. A sign may stand
// between them, and a few lines may show a word in place of the number.
func (s *blockShape) weighs(bodies [][]byte) bool {
	good := 0
	for _, b := range bodies {
		toks, n := tokenize(b), 0
		for i, t := range toks {
			if t.kind == tokDate || t.kind == tokTime {
				return false
			}
			before := i - 1
			if before >= 0 && toks[before].kind == tokMark && isSign(b[toks[before].from]) {
				before--
			}
			for _, k := range []int{before, i + 1} {
				if t.kind == tokNumber && k >= 0 && k < len(toks) && massSymbol(codePages[1].text(toks[k].in(b)), &Answers{}) {
					n++
					break
				}
			}
		}
		if n > 1 {
			return false
		}
		good += n
	}
	return good > 0 && good*10 >= len(bodies)*7
}

// added says that of three kinds of lines one holds the sum of the others in every block: they are one print.
func (s *blockShape) added() bool {
	var lines []*blockLine
	for _, k := range s.keys {
		bodies, index := s.of(k)
		lines = append(lines, &blockLine{key: k, g: blockGrid(bodies, index, codePages[1])})
	}
	return netByArithmetic(lines) != nil
}

// apart says that the line was silent before most blocks, and nowhere else.
func (s *blockShape) apart(sample Sample) bool {
	n := 0
	for _, start := range s.starts {
		if at := s.lines[start].at; at == 0 || slices.Contains(sample.Pauses, at) {
			n++
		}
	}
	return n*10 >= len(s.starts)*8 && len(sample.Pauses) <= len(s.starts)+1
}

// asOne says what the block reads otherwise than single lines.
func (s *blockShape) asOne(page codePage) string {
	var names []string
	for _, k := range s.keys {
		names = append(names, fmt.Sprintf("%q", k))
	}
	return fmt.Sprintf("the lines %s are one print here, of which one weight is recorded; pauses between the lines, or more of them, may tell", strings.Join(names, " and "))
}
