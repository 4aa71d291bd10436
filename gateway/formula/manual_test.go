package formula_test

import (
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"weighpost/gateway/formula"
)

// manual reads the tables of the page, by the text of their first row.
func manual(t *testing.T) map[string][][]string {
	t.Helper()
	page, err := os.ReadFile("../help/pages/formulas.md")
	if err != nil {
		t.Fatal(err)
	}
	tables, head := map[string][][]string{}, ""
	for line := range strings.Lines(string(page)) {
		line = strings.TrimSpace(line)
		if !strings.HasPrefix(line, "|") {
			head = ""
			continue
		}
		var cells []string
		for cell := range strings.SplitSeq(strings.Trim(line, "|"), " | ") {
			cells = append(cells, strings.TrimSpace(cell))
		}
		switch {
		case head == "":
			head = strings.Join(cells, ", ")
		case !strings.HasPrefix(cells[0], "---"):
			tables[head] = append(tables[head], cells)
		}
	}
	return tables
}

func code(cell string) string { return strings.Trim(cell, "`") }

// values gives what the page declares.
func values(t *testing.T, rows [][]string) (map[string]formula.Type, map[string]formula.Value) {
	t.Helper()
	types, in := map[string]formula.Type{}, map[string]formula.Value{}
	for _, row := range rows {
		name := code(row[0])
		switch parts := strings.Split(row[1], ", "); {
		case row[1] == "yes":
			types[name], in[name] = formula.Truth, formula.OfTruth(true)
		case len(parts) > 1:
			var list []formula.Quantity
			for _, s := range parts {
				list = append(list, quantity(t, s))
			}
			types[name], in[name] = formula.ListIn(list[0].Unit), formula.OfList(list)
		default:
			q, err := formula.ParseQuantity(row[1])
			if err != nil {
				types[name], in[name] = formula.Text, formula.OfText(row[1])
				continue
			}
			types[name], in[name] = formula.In(q.Unit), formula.Of(q)
		}
	}
	return types, in
}

// like says whether a result is what the page says: in full, or to where its "…" stands.
func like(got, want string) bool {
	digits, unit, open := strings.Cut(want, "…")
	if !open {
		return got == want
	}
	return strings.HasPrefix(got, digits) && strings.HasSuffix(got, "…"+unit)
}

// TestTheManualSaysWhatIsSo works out every example of the page, and holds its lists of functions, units and limits against the program.
func TestTheManualSaysWhatIsSo(t *testing.T) {
	tables := manual(t)
	types, in := values(t, tables["name, value"])
	work := func(source string, r formula.Rounding) (formula.Result, error) {
		f, err := formula.Compile(source, formula.Options{Names: types, Rounding: r})
		if err != nil {
			return formula.Result{}, err
		}
		return f.Eval(t.Context(), in)
	}
	examples := 0
	example := func(source, want string) {
		examples++
		if r, err := work(source, formula.Rounding{}); err != nil || !like(r.Value.String(), want) {
			t.Errorf("%s is %s (%v), and the page says %s", source, r.Value, err, want)
		}
	}
	for _, row := range tables["formula, comes to, what it shows"] {
		example(code(row[0]), row[1])
	}
	builtIn := map[string]string{}
	for _, f := range formula.BuiltIn() {
		builtIn[f.Name] = f.Says
	}
	for _, row := range tables["function, gives, example, comes to"] {
		example(code(row[2]), row[3])
		if says, ok := builtIn[code(row[0])]; !ok || says != row[1] {
			t.Errorf("%s: the page says %q, and the program %q", row[0], row[1], says)
		}
		delete(builtIn, code(row[0]))
	}
	if len(builtIn) > 0 {
		t.Errorf("the page lacks the functions %v", builtIn)
	}
	for _, row := range tables["formula, what is said"] {
		examples++
		if _, err := work(code(row[0]), formula.Rounding{}); err == nil || !strings.Contains(err.Error(), row[1]) {
			t.Errorf("%s: %v, and the page says %s", row[0], err, row[1])
		}
	}
	for _, row := range tables["formula, rounded, rule, comes to"] {
		examples++
		r := formula.Rounding{Rule: code(row[2])}
		n, what, _ := strings.Cut(row[1], " ")
		if count, err := strconv.Atoi(n); err != nil {
			r.To = what
		} else if r.Significant = count; what == "decimals" {
			r.Significant, r.Decimals = 0, &count
		}
		if got, err := work(code(row[0]), r); err != nil || got.Rounded.String() != row[3] {
			t.Errorf("%v: %s, %v", row, got.Rounded, err)
		}
	}
	t.Logf("%d examples were worked out", examples)
	if examples < 45 {
		t.Errorf("only %d examples were found on the page", examples)
	}
}

func TestTheManualListsUnitsAndLimits(t *testing.T) {
	tables := manual(t)
	known := map[string]bool{}
	for _, u := range formula.Units() {
		known[u] = true
	}
	for _, row := range tables["what, units"] {
		for _, m := range regexp.MustCompile("`([^`]+)`").FindAllStringSubmatch(row[1], -1) {
			unitOf(t, m[1])
			delete(known, m[1])
		}
	}
	if len(known) > 0 {
		t.Errorf("the page lacks the units %v", known)
	}
	var limits []string
	for _, row := range tables["what, at most"] {
		limits = append(limits, row[1])
	}
	want := fmt.Sprint([]int{formula.MaxSource, formula.MaxNodes, formula.MaxDepth, formula.MaxList, formula.MaxDigits, formula.MaxTen, formula.MaxExponent, formula.MaxBits})
	if got := fmt.Sprint(limits); got != want {
		t.Errorf("the page says %s, and the program %s", got, want)
	}
}
