package procedure

import (
	"cmp"
	"maps"
	"slices"
)

// Suits says why a balance is good enough for nothing of what the procedure weighs, or "". Whether it is fit now is not looked at.
func (d *Definition) Suits(f Facts) string {
	first := ""
	for _, name := range slices.Sorted(maps.Keys(d.Balances)) {
		why := fine(d.Balances[name], f)
		if why == "" {
			return ""
		}
		first = cmp.Or(first, why)
	}
	return first
}
