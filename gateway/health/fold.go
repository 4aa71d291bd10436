package health

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// fold puts each condition under the one that it comes from. all is in no order.
func fold(all []Condition) []Condition {
	slices.SortFunc(all, func(x, y Condition) int {
		return cmp.Or(cmp.Compare(x.Code, y.Code), cmp.Compare(x.Subject, y.Subject))
	})
	held := make(map[Ref]*Condition, len(all)+4)
	for i := range all {
		all[i].From = causes(&all[i])
		held[all[i].Ref()] = &all[i]
	}
	all = append(all, joints(all, held)...)
	clear(held)
	for i := range all {
		held[all[i].Ref()] = &all[i]
	}
	roots := make([]*Condition, len(all))
	for i := range all {
		roots[i] = rootOf(&all[i], held)
	}
	under := make(map[Ref][]Condition)
	for i := range all {
		// A root that comes from something itself is part of a circle, which only a mistake makes: all of it is listed.
		if root := roots[i]; root != nil && root.Cause == nil {
			under[root.Ref()] = append(under[root.Ref()], all[i])
		}
	}
	list := make([]Condition, 0, len(all))
	for i, c := range all {
		told := roots[i] != nil && roots[i].Cause == nil
		idle := kinds[c.Code].Quiet && len(under[c.Ref()]) == 0
		if !told && !idle {
			list = append(list, gather(c, under[c.Ref()]))
		}
	}
	return list
}

// causes is what a condition may come from: what it names itself, then what the table says of its kind.
func causes(c *Condition) []Ref {
	from := slices.Clone(c.From)
	for _, r := range kinds[c.Code].follows {
		if r.Subject == same {
			r.Subject = c.Subject
		}
		from = append(from, r)
	}
	return from
}

// joints makes the conditions that no room raises: two or more conditions that name the same device server, adapter or
// destination have one cause. One alone stays what it is.
func joints(all []Condition, held map[Ref]*Condition) []Condition {
	members := make(map[Ref][]*Condition)
	var order []Ref
	for i := range all {
		for _, r := range all[i].From {
			if kinds[r.Code].joint == nil || held[r] != nil {
				continue
			}
			if members[r] == nil {
				order = append(order, r)
			}
			members[r] = append(members[r], &all[i])
		}
	}
	var made []Condition
	for _, r := range order {
		if m := members[r]; len(m) > 1 {
			made = append(made, join(r, m))
		}
	}
	return made
}

// join is the one condition of several. It comes from what all of them may come from beyond it.
func join(r Ref, members []*Condition) Condition {
	c := Condition{Code: r.Code, Subject: r.Subject, Severity: members[0].Severity, Since: members[0].Since}
	subjects := make([]string, 0, len(members))
	for i, m := range members {
		subjects = append(subjects, m.Subject)
		if m.Since.Before(c.Since) {
			c.Since = m.Since
		}
		beyond := m.From[slices.Index(m.From, r)+1:]
		if i == 0 {
			c.From = slices.Clone(beyond)
		}
		c.From = slices.DeleteFunc(c.From, func(f Ref) bool { return !slices.Contains(beyond, f) })
	}
	slices.Sort(subjects)
	c.Sentence, c.Remedy = kinds[r.Code].joint(r.Subject, names(kinds[members[0].Code].About, slices.Compact(subjects)))
	return c
}

// rootOf walks from a condition to the one that everything comes from, and writes the nearest as its cause. It is nil for a
// condition that comes from nothing that holds.
func rootOf(c *Condition, held map[Ref]*Condition) *Condition {
	seen := map[Ref]bool{c.Ref(): true}
	var root *Condition
	for at := c; ; {
		next := cause(at, held, seen)
		if next == nil {
			return root
		}
		if at == c {
			ref := next.Ref()
			c.Cause = &ref
		}
		seen[next.Ref()], root, at = true, next, next
	}
}

// cause is the nearest of a condition's causes that holds. What leads back to where the walk came from is none.
func cause(c *Condition, held map[Ref]*Condition, seen map[Ref]bool) *Condition {
	for _, r := range c.From {
		if next := held[r]; next != nil && !seen[r] {
			return next
		}
	}
	return nil
}

// gather puts consequences under their root. The root is as bad as the worst of them, and says how many and which they are.
func gather(root Condition, consequences []Condition) Condition {
	if len(consequences) == 0 {
		return root
	}
	slices.SortFunc(consequences, worstFirst)
	about := make(map[string][]string)
	for _, c := range consequences {
		if rank[c.Severity] < rank[root.Severity] {
			root.Severity = c.Severity
		}
		if k := kinds[c.Code]; k.joint == nil && k.About != "" && !slices.Contains(about[k.About], c.Subject) {
			about[k.About] = append(about[k.About], c.Subject)
		}
	}
	root.Consequences = consequences
	if kinds[root.Code].joint != nil {
		return root // its own sentence names them
	}
	var parts []string
	for _, what := range []string{aBalance, aSink, aServer} {
		if subjects := about[what]; len(subjects) > 0 && !(len(subjects) == 1 && subjects[0] == root.Subject) {
			slices.Sort(subjects)
			parts = append(parts, names(what, subjects))
		}
	}
	if len(parts) > 0 {
		root.Sentence = strings.TrimSpace(root.Sentence + " This affects " + strings.Join(parts, " and ") + ".")
	}
	return root
}

// most is how many names a sentence lists; the consequences carry them all.
const most = 8

// names says how many subjects there are, and which: "balance b-01", "3 balances (b-01, b-02, b-03)".
func names(what string, subjects []string) string {
	switch n := len(subjects); {
	case n == 1:
		return what + " " + subjects[0]
	case n > most:
		return fmt.Sprintf("%d %ss (%s and %d more)", n, what, strings.Join(subjects[:most], ", "), n-most)
	default:
		return fmt.Sprintf("%d %ss (%s)", n, what, strings.Join(subjects, ", "))
	}
}
