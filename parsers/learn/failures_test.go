package learn_test

import (
	"cmp"
	"fmt"
	"os"
	"regexp"
	"slices"
	"sort"
	"strings"
	"sync"
	"testing"

	"weighpost/parsers/learn/learntest"
)

// failure tells what went wrong with one balance, with its sample.
func failure(v *verdict) string {
	var out strings.Builder
	fmt.Fprintf(&out, "seed %d, %s (%s)", v.b.Seed, v.b.Class, strings.Join(v.b.Traits, ", "))
	if v.b.Needs != 0 {
		fmt.Fprintf(&out, " needs %b", v.b.Needs)
	}
	out.WriteString("\n")
	var lines []int
	if v.outcome == nil {
		fmt.Fprintf(&out, "no candidate: %s\n", v.why)
	} else {
		all := slices.Concat(v.outcome.Wrong, v.outcome.WrongFields, v.outcome.Missing)
		for i, f := range all {
			if i < 4 {
				fmt.Fprintf(&out, "frame %d: %s\n", f.Frame, f.What)
			}
			if f.Frame >= v.b.Sampled && len(lines) < 2 && !slices.Contains(lines, f.Frame) {
				lines = append(lines, f.Frame)
			}
		}
		if len(all) > 4 {
			fmt.Fprintf(&out, "and %d more\n", len(all)-4)
		}
	}
	for i := range min(v.b.Sampled, 14) {
		lines = append(lines, i)
	}
	sort.Ints(lines)
	for _, i := range lines {
		f := &v.b.Frames[i]
		fmt.Fprintf(&out, "%3d %q  truth %s", i, f.Bytes, truth(f))
		if i >= v.b.Sampled {
			out.WriteString("  (never shown)")
		}
		out.WriteString("\n")
	}
	for line := range strings.Lines(v.layout) {
		if s := strings.TrimSpace(line); s != "" && !strings.HasPrefix(s, "#") {
			out.WriteString("    " + strings.TrimRight(line, "\n") + "\n")
		}
	}
	return out.String()
}

// truth is a frame's truth in short.
func truth(f *learntest.Frame) string {
	switch f.Sort {
	case learntest.Noise:
		return "noise"
	case learntest.Damaged:
		return "damaged"
	case learntest.Wide:
		return f.Truth.Digits + " (one digit more)"
	case learntest.Half:
		return "half a line"
	case learntest.Beyond:
		return f.Truth.Range.String()
	}
	s := fmt.Sprintf("%s %s %s %s", f.Truth.Digits, f.Truth.Unit, f.Truth.Stability, f.Truth.Kind)
	if f.OpenStability {
		s += " (stability cannot be told)"
	}
	return s
}

// mostProblems are shown with an example.
const mostProblems = 40

// problem is what a number of balances have in common that are not fully right.
type problem struct {
	badness  int
	class    string
	what     string
	verdicts []*verdict
}

// badness orders problems: a wrong value is worse than a wrong text, and both are worse than anything missing.
func (v *verdict) badness() int {
	switch {
	case v.right:
		return 0
	case v.outcome == nil && strings.HasPrefix(v.why, errPanic.Error()):
		return 4
	case v.outcome != nil && len(v.outcome.Wrong) > 0:
		return 3
	case v.outcome != nil && len(v.outcome.WrongFields) > 0:
		return 2
	}
	return 1
}

var (
	particulars = regexp.MustCompile(`"[^"]*"|“[^”]*”|[0-9]+`)
	units       = regexp.MustCompile(`# \[?[a-z_]+\]?(,|$)`)
)

// problems groups balances by their first finding without its particulars, worst first and then the most common.
func problems(verdicts []*verdict) (list []*problem) {
	known := map[string]*problem{}
	for _, v := range verdicts {
		if v.right {
			continue
		}
		what := "no candidate: " + v.why
		if v.outcome != nil {
			what = "nothing is read"
			if all := slices.Concat(v.outcome.Wrong, v.outcome.WrongFields, v.outcome.Missing); len(all) > 0 {
				what = all[0].What
			}
		}
		what = units.ReplaceAllString(particulars.ReplaceAllString(what, "#"), "#$1")
		key := fmt.Sprint(v.badness(), v.b.Class, what)
		if known[key] == nil {
			known[key] = &problem{badness: v.badness(), class: v.b.Class, what: what}
			list = append(list, known[key])
		}
		known[key].verdicts = append(known[key].verdicts, v)
	}
	slices.SortStableFunc(list, func(a, b *problem) int {
		return cmp.Or(b.badness-a.badness, len(b.verdicts)-len(a.verdicts))
	})
	return list
}

// writing holds what several tests write to one file apart.
var writing sync.Mutex

// writeFailures appends the balances that are not fully right to the file that WEIGHPOST_FAILURES names.
func writeFailures(t *testing.T, name string, all tally, verdicts []*verdict) {
	path := os.Getenv("WEIGHPOST_FAILURES")
	if path == "" {
		return
	}
	writing.Lock()
	defer writing.Unlock()
	file, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	fmt.Fprintf(file, "\n# %s: %.1f %% of %d fully right, %d wrong values, %d wrong fields\n", name, all.percent(), all.n, all.wrong, all.wrongFields)
	list := problems(verdicts)
	marks := []string{"", "not right", "WRONG FIELD", "WRONG VALUE", "PANIC"}
	for _, p := range list {
		fmt.Fprintf(file, "- %s, %d × %s: %s\n", marks[p.badness], len(p.verdicts), p.class, p.what)
	}
	for i, p := range list {
		if i == mostProblems {
			break
		}
		fmt.Fprintf(file, "\n## %s, %d × %s: %s\n```\n%s```\n", marks[p.badness], len(p.verdicts), p.class, p.what, failure(p.verdicts[0]))
		var seeds []uint64
		for _, v := range p.verdicts[1:] {
			if len(seeds) < 12 {
				seeds = append(seeds, v.b.Seed)
			}
		}
		fmt.Fprintf(file, "the same: seeds %v\n", seeds)
	}
}
