package checks

import (
	"fmt"
	"slices"
	"time"

	"weighpost/parsers/strict"
)

// Ready lists the ready-made checks by name.
func Ready() []string {
	return []string{"one-weight", "span", "repeat-ten", "repeat-five", "corners", "up-and-down", "minimum-weight"}
}

// before are the questions that every ready-made check begins with.
var before = []string{"Does the balance stand level?", "Are the pan and what is around it clean, dry and free?", "Has the balance been on long enough to be warm?"}

// ready gives a ready-made check. Its limits are a lab's to set: where it says none, the readability stands in, and the manual says so.
func ready(name string) (d Definition, known bool) {
	d = Definition{Questions: slices.Clone(before)}
	switch name {
	case "one-weight":
		d.Measures, d.Loads, d.Tolerance = Accuracy, []string{"50 %"}, Tolerance{USP41: true}
	case "span":
		d.Measures, d.Loads, d.Tolerance = Sensitivity, []string{"95 %"}, Tolerance{Percent: "0.05"}
	case "repeat-ten":
		d.Measures, d.Loads, d.Times, d.Tolerance = Repeatability, []string{"50 %"}, 10, Tolerance{D: 2}
	case "repeat-five":
		d.Measures, d.Loads, d.Times, d.Tolerance = Repeatability, []string{"50 %"}, 5, Tolerance{D: 2}
	case "corners":
		d.Measures, d.Loads, d.Tolerance = Eccentricity, []string{"33 %"}, Tolerance{Percent: "0.05"}
		d.Positions = []string{"front left", "back left", "back right", "front right"}
	case "up-and-down":
		d.Measures, d.Loads, d.Down, d.Tolerance = Linearity, []string{"25 %", "50 %", "75 %", "100 %"}, true, Tolerance{Percent: "0.05"}
	case "minimum-weight":
		d.Measures, d.Loads, d.Times, d.Tolerance = Repeatability, []string{"5 %"}, 10, Tolerance{D: 2}
	default:
		return Definition{}, false
	}
	return d, true
}

// Complete fills in what a definition leaves out, from the ready-made check that it uses, and then what holds for every check.
func (d Definition) Complete() (Definition, error) {
	from := Definition{}
	if d.Use != "" {
		var known bool
		if from, known = ready(d.Use); !known {
			return d, fmt.Errorf("%.40q is no ready-made check", d.Use)
		}
		if d.Measures != "" && d.Measures != from.Measures {
			return d, fmt.Errorf("the ready-made check %s measures %s, and not %s: leave measures out, or use", d.Use, from.Measures, d.Measures)
		}
		d.Measures = from.Measures
	}
	for _, list := range []struct{ to, from *[]string }{{&d.Questions, &from.Questions}, {&d.Loads, &from.Loads}, {&d.Positions, &from.Positions}} {
		if *list.to == nil {
			*list.to = *list.from
		}
	}
	d.Down = d.Down || from.Down
	if d.Tolerance == (Tolerance{}) {
		d.Tolerance = from.Tolerance
	}
	for _, n := range []struct {
		to         *int
		from, rest int
	}{{&d.Times, from.Times, 0}, {&d.WarnAt, 0, 70}, {&d.DoubtAt, 0, 5}, {&d.Settle.Frames, 0, 3}, {&d.Settle.WithinD, 0, 1}} {
		if *n.to == 0 {
			*n.to = max(n.from, n.rest)
		}
	}
	if d.Repeats == nil {
		once := 1
		d.Repeats = &once
	}
	if d.Settle.For == 0 {
		d.Settle.For = strict.Duration(time.Second)
	}
	return d, nil
}
