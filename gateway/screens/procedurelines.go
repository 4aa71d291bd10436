package screens

import "strings"

// changedLine is a line of a text beside another one: a mark with the word for it, and the number of the line before and after; 0: not there.
type changedLine struct {
	Mark, Word    string
	Text          string
	Before, After int
	Left          int // so many lines alike are left out here; there is no text then
}

const (
	aroundChanges = 3         // lines alike that are shown before and after a change
	mostCompared  = 4_000_000 // pairs of lines; more, and all of the middle counts as changed
)

// changedLines compares two texts line by line: a longest common subsequence of what is between the first and the last difference.
func changedLines(before, after string) []changedLine {
	a, b := strings.Split(strings.TrimSuffix(before, "\n"), "\n"), strings.Split(strings.TrimSuffix(after, "\n"), "\n")
	head := 0
	for head < len(a) && head < len(b) && a[head] == b[head] {
		head++
	}
	tail := 0
	for tail < len(a)-head && tail < len(b)-head && a[len(a)-1-tail] == b[len(b)-1-tail] {
		tail++
	}
	var all []changedLine
	same := func(i, j int) { all = append(all, changedLine{Text: a[i], Before: i + 1, After: j + 1}) }
	for i := range head {
		same(i, i)
	}
	for _, l := range between(a[head:len(a)-tail], b[head:len(b)-tail]) {
		if l.Before > 0 {
			l.Before += head
		}
		if l.After > 0 {
			l.After += head
		}
		all = append(all, l)
	}
	for i := range tail {
		same(len(a)-tail+i, len(b)-tail+i)
	}
	return withoutAlike(all)
}

// between compares what differs, with numbers from 1.
func between(a, b []string) (all []changedLine) {
	common := make([][]int32, len(a)+1)
	if len(a)*len(b) > mostCompared {
		common = nil
	}
	for i := len(common) - 1; i >= 0; i-- {
		common[i] = make([]int32, len(b)+1)
		for j := len(b) - 1; j >= 0 && i < len(a); j-- {
			switch {
			case a[i] == b[j]:
				common[i][j] = common[i+1][j+1] + 1
			default:
				common[i][j] = max(common[i+1][j], common[i][j+1])
			}
		}
	}
	i, j := 0, 0
	for i < len(a) || j < len(b) {
		switch {
		case common != nil && i < len(a) && j < len(b) && a[i] == b[j]:
			all = append(all, changedLine{Text: a[i], Before: i + 1, After: j + 1})
			i, j = i+1, j+1
		case i < len(a) && (j >= len(b) || common == nil || common[i+1][j] >= common[i][j+1]):
			all = append(all, changedLine{Mark: "−", Word: "removed", Text: a[i], Before: i + 1})
			i++
		default:
			all = append(all, changedLine{Mark: "+", Word: "added", Text: b[j], After: j + 1})
			j++
		}
	}
	return all
}

// withoutAlike leaves out what is alike and stands far from any change.
func withoutAlike(all []changedLine) (list []changedLine) {
	near := make([]bool, len(all))
	for i, l := range all {
		if l.Mark != "" {
			for k := max(0, i-aroundChanges); k <= min(len(all)-1, i+aroundChanges); k++ {
				near[k] = true
			}
		}
	}
	for i := 0; i < len(all); i++ {
		if near[i] {
			list = append(list, all[i])
			continue
		}
		left := 0
		for ; i < len(all) && !near[i]; i++ {
			left++
		}
		list = append(list, changedLine{Left: left})
		i--
	}
	return list
}
