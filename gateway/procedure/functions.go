package procedure

import (
	"slices"

	"weighpost/gateway/formula"
)

// functionNamed holds the functions that formulas of procedures may call beside those of the formula language, by name.
var functionNamed = map[string]formula.Function{}

// Functions lists them, by name.
func Functions() []formula.Function {
	all := make([]formula.Function, 0, len(functionNamed))
	for _, f := range functionNamed {
		all = append(all, f)
	}
	slices.SortFunc(all, func(a, b formula.Function) int {
		if a.Name < b.Name {
			return -1
		}
		return 1
	})
	return all
}
