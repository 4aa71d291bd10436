package learn

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
	"weighpost/parsers/sum"
	"weighpost/parsers/unit"
)

// Answers is what a person knows and the bytes do not say. The zero value is no answer at all.
type Answers struct {
	Display []Display         `yaml:"display" json:"display,omitempty" desc:"What the balance's display showed."`
	Settled []Settled         `yaml:"settled" json:"settled,omitempty" desc:"Whether the weight was settled when a line was printed."`
	Words   map[string]string `yaml:"words" json:"words,omitempty" desc:"What a printed word or mark means: stable, unstable, gross, net, tare, preset tare, in, over, under, unknown, a unit by its UCUM code, or ignore."`
	Texts   map[string]string `yaml:"texts" json:"texts,omitempty" desc:"What the text in a place is, by the number of the text: sample, person, balance, range_number, count or ignore."`
	Unit    string            `yaml:"unit" json:"unit,omitempty" desc:"The unit of a balance that prints none, by its UCUM code."`
	Date    string            `yaml:"date" json:"date,omitempty" desc:"The order of the printed date: day.month.year, month/day/year, year-month-day."`
	Decimal string            `yaml:"decimal" json:"decimal,omitempty" enum:"point,comma" desc:"What stands before the decimals."`
	Check   string            `yaml:"check" json:"check,omitempty" desc:"The kind of check, such as xor or crc16-modbus; none where there is none."`
	Number  int               `yaml:"number" json:"number,omitempty" desc:"Which number of the line is the weight, counted from 1."`
}

// Display is what the display showed when a line was printed.
type Display struct {
	Shows string `yaml:"shows" json:"shows" desc:"The digits as shown, with sign, decimal sign and unit: 12.3450 g."`
	Line  int    `yaml:"line" json:"line,omitempty" desc:"The number of the frame in the sample, from 1; 0 where any frame that shows it will do."`
}

// UnmarshalNode reads a mapping, or what the display showed alone.
func (d *Display) UnmarshalNode(n strict.Node) strict.Faults {
	if text, ok := n.Text(); ok {
		*d = Display{Shows: text}
		return nil
	}
	written := struct {
		Shows string `yaml:"shows"`
		Line  int    `yaml:"line"`
	}{}
	faults := n.Load(&written)
	*d = Display{Shows: written.Shows, Line: written.Line}
	return faults
}

// Settled says whether the weight was settled when a line was printed.
type Settled struct {
	Line int  `yaml:"line" json:"line" desc:"The number of the frame in the sample, from 1."`
	Is   bool `yaml:"is" json:"is" desc:"true or false."`
}

// ParseAnswers reads a file of answers. The error is a strict.Faults with every mistake.
func ParseAnswers(name string, src []byte) (Answers, error) {
	var a Answers
	doc, faults := strict.Load(name, src, &a)
	r := doc.Report()
	if err := faults.Err(); err != nil {
		return Answers{}, err
	}
	if err := a.Mistake(); err != nil {
		r.Fault(err.Error(), "")
		return Answers{}, r.Faults().Err()
	}
	return a, nil
}

// meanings are what a word may mean besides a unit.
var meanings = []string{"stable", "unstable", "gross", "net", "tare", "preset tare", "in", "over", "under", "unknown", "ignore"}

// textKinds are what a varying text may be.
var textKinds = []string{"sample", "person", "balance", "range_number", "count", "ignore"}

// Mistake says what in the answers makes no sense by itself, in a sentence.
func (a *Answers) Mistake() error {
	for _, d := range a.Display {
		if _, err := parseShown(d.Shows); err != nil {
			return err
		}
		if d.Line < 0 {
			return fmt.Errorf("the display was shown for line %d, and lines are counted from 1", d.Line)
		}
	}
	for _, s := range a.Settled {
		if s.Line < 1 {
			return fmt.Errorf("whether it was settled is said of line %d, and lines are counted from 1", s.Line)
		}
	}
	for w, m := range a.Words {
		if _, isUnit := unit.Named(m); !isUnit && !slices.Contains(meanings, m) {
			return fmt.Errorf("the word %q is said to mean %q, and a word can mean %s, or a unit by its UCUM code", w, m, strings.Join(meanings, ", "))
		}
	}
	for n, m := range a.Texts {
		if i, err := strconv.Atoi(n); err != nil || i < 1 {
			return fmt.Errorf("%q is no number of a text: texts are counted from 1", n)
		}
		if !slices.Contains(textKinds, m) {
			return fmt.Errorf("text %s is said to be %q, and it can be %s", n, m, strings.Join(textKinds, ", "))
		}
	}
	return a.singleMistake()
}

func (a *Answers) singleMistake() error {
	if a.Unit != "" {
		if _, ok := unit.Named(a.Unit); !ok {
			return fmt.Errorf("%q is no unit; there are %s", a.Unit, strings.Join(unit.Keys(), ", "))
		}
	}
	if a.Date != "" {
		if _, ok := dateLetters(a.Date); !ok {
			return fmt.Errorf("%q is no order of a date: say day.month.year, month/day/year or year-month-day", a.Date)
		}
	}
	if a.Decimal != "" && a.Decimal != "point" && a.Decimal != "comma" {
		return fmt.Errorf("the decimal sign is said to be %q: say point or comma", a.Decimal)
	}
	if a.Check != "" && a.Check != "none" {
		if k, ok := sum.ByName(a.Check); !ok || k == sum.None {
			return fmt.Errorf("%q is no kind of check; there are %s, and none", a.Check, strings.Join(sum.Names(), ", "))
		}
	}
	if a.Number < 0 {
		return fmt.Errorf("number %d of the line is said to be the weight, and numbers are counted from 1", a.Number)
	}
	return nil
}

// dateLetters gives the order of a date as the letters y, m and d.
func dateLetters(order string) (letters string, ok bool) {
	for rest := order; rest != ""; {
		switch {
		case strings.HasPrefix(rest, "year"):
			letters, rest = letters+"y", rest[4:]
		case strings.HasPrefix(rest, "month"):
			letters, rest = letters+"m", rest[5:]
		case strings.HasPrefix(rest, "day"):
			letters, rest = letters+"d", rest[3:]
		default:
			rest = rest[1:]
		}
	}
	return letters, len(letters) == 3 && strings.Contains(letters, "y") && strings.Contains(letters, "m") && strings.Contains(letters, "d")
}

// Hint takes an answer as it is written on a command line: display=12.3450 g, display:3=12.3450 g, settled:3=yes,
// word:R=stable, unit=g, unit:oz=[oz_tr], date=day.month.year, decimal=comma, check=xor, number=2, text:1=sample.
// The part before the equals sign is the Key of a Question.
func (a *Answers) Hint(text string) error {
	key, answer, ok := strings.Cut(text, "=")
	if !ok || strings.TrimSpace(key) == "" {
		return fmt.Errorf("the hint %q has no equals sign: write it as display='12.3450 g'", text)
	}
	// A word may itself hold an equals sign, as the mark "=" does: word:==stable.
	if strings.HasPrefix(key, "word:") {
		at := strings.LastIndex(text, "=")
		key, answer = text[:at], text[at+1:]
	}
	return a.Set(Question{Key: strings.TrimSpace(key)}, answer)
}

// Set takes the answer to a question. The error says in a sentence why the answer cannot be used; the answers are then as
// they were before.
func (a *Answers) Set(q Question, answer string) error {
	answer = strings.TrimSpace(answer)
	if len(q.Choices) > 0 && !slices.ContainsFunc(q.Choices, func(c Choice) bool { return c.Value == answer }) {
		var all []string
		for _, c := range q.Choices {
			all = append(all, c.Value)
		}
		return fmt.Errorf("%q is none of the answers: %s", answer, strings.Join(all, ", "))
	}
	next := a.clone()
	if err := next.set(q.Key, answer); err != nil {
		return err
	}
	if err := next.Mistake(); err != nil {
		return err
	}
	*a = next
	return nil
}

func (a *Answers) set(key, answer string) error {
	name, about, _ := strings.Cut(key, ":")
	number, noNumber := strconv.Atoi(about)
	switch name {
	case "display":
		if about != "" && noNumber != nil {
			return fmt.Errorf("%q is no number of a line", about)
		}
		a.Display = append(slices.DeleteFunc(a.Display, func(d Display) bool { return number > 0 && d.Line == number }), Display{answer, number})
	case "settled":
		is, ok := map[string]bool{"yes": true, "true": true, "no": false, "false": false}[answer]
		if !ok || noNumber != nil {
			return fmt.Errorf("whether line %s was settled is answered by yes or no, not by %q", about, answer)
		}
		a.Settled = append(slices.DeleteFunc(a.Settled, func(s Settled) bool { return s.Line == number }), Settled{number, is})
	case "word", "unit":
		if name == "unit" && about == "" {
			a.Unit = answer
			return nil
		}
		a.Words[about] = answer
	case "text":
		a.Texts[about] = answer
	case "date":
		a.Date = answer
	case "decimal":
		a.Decimal = answer
	case "check":
		a.Check = answer
	case "number":
		if number, noNumber = strconv.Atoi(answer); noNumber != nil {
			return fmt.Errorf("%q is no number", answer)
		}
		a.Number = number
	default:
		return fmt.Errorf("there is no question %q: the keys are display, settled, word, unit, date, decimal, check, number and text", key)
	}
	return nil
}

// clone copies the answers so that the copy can change alone.
func (a *Answers) clone() Answers {
	c := *a
	c.Display, c.Settled = slices.Clone(a.Display), slices.Clone(a.Settled)
	c.Words, c.Texts = map[string]string{}, map[string]string{}
	for k, v := range a.Words {
		c.Words[k] = v
	}
	for k, v := range a.Texts {
		c.Texts[k] = v
	}
	return c
}

// shown is what a display showed, taken apart.
type shown struct {
	digits string // sign, digits and point: "-12.3450"
	unit   string // the symbol, "" where none is said
}

// parseShown takes "-12.3450 g" apart. A comma is a decimal sign where it is the only sign between digits.
func parseShown(text string) (shown, error) {
	bad := func() (shown, error) {
		return shown{}, fmt.Errorf("%q is nothing that a display shows: write the digits as shown and the unit, as in 12.3450 g", text)
	}
	s := strings.TrimSpace(text)
	i := 0
	for i < len(s) && strings.IndexByte("+-0123456789.,' ", s[i]) >= 0 {
		i++
	}
	digits, symbol := strings.TrimRight(s[:i], " "), strings.TrimSpace(s[i:])
	if strings.ContainsAny(symbol, "0123456789") || len(symbol) > 20 {
		return bad()
	}
	points, commas := strings.Count(digits, "."), strings.Count(digits, ",")
	group := map[bool]string{true: ",", false: "."}[strings.LastIndex(digits, ",") < strings.LastIndex(digits, ".")]
	if points+commas > 1 && !threes(digits, group) {
		return bad()
	}
	switch {
	case points == 1 && commas > 0 && strings.LastIndex(digits, ",") < strings.Index(digits, "."):
		digits = strings.ReplaceAll(digits, ",", "")
	case commas == 1 && points > 0 && strings.LastIndex(digits, ".") < strings.Index(digits, ","):
		digits = strings.ReplaceAll(strings.ReplaceAll(digits, ".", ""), ",", ".")
	case commas == 1 && points == 0:
		digits = strings.ReplaceAll(digits, ",", ".")
	case points > 1 && commas == 0:
		digits = strings.ReplaceAll(digits, ".", "")
	case commas > 1 && points == 0:
		digits = strings.ReplaceAll(digits, ",", "")
	case points > 1 || commas > 0:
		return bad()
	}
	digits = strings.NewReplacer(" ", "", "'", "").Replace(digits)
	body := strings.TrimLeft(digits, "+-")
	if len(digits)-len(body) > 1 || strings.ContainsAny(body, "+-") || !strings.ContainsAny(body, "0123456789") {
		return bad()
	}
	return shown{digits, symbol}, nil
}

// threes says that the sign parts whole digits by threes.
func threes(digits, sign string) bool {
	whole := strings.TrimLeft(digits, "+- ")
	if other := map[string]string{",": ".", ".": ","}[sign]; strings.Contains(whole, other) {
		whole = whole[:strings.Index(whole, other)]
	}
	for i, part := range strings.Split(whole, sign) {
		if i > 0 && len(part) != 3 || len(part) == 0 || len(part) > 3 {
			return false
		}
	}
	return true
}

// same says whether a reading is what the display showed: the number with all its decimals. A plus sign and leading zeros
// may be printed and not shown.
func (s shown) same(r *layout.Reading) bool {
	return r.HasNumber && bare(r.Digits()) == bare(s.digits) && (s.unit == "" || s.unit == r.PrintedUnit() || s.unit == r.UnitCode() || r.PrintedUnit() == "")
}

// bare is a number without plus sign, leading zeros and a point at its end.
func bare(digits string) string {
	minus := strings.HasPrefix(digits, "-")
	digits = strings.TrimLeft(digits, "+-")
	for len(digits) > 1 && digits[0] == '0' && digits[1] != '.' {
		digits = digits[1:]
	}
	if strings.HasPrefix(digits, ".") {
		digits = "0" + digits
	}
	digits = strings.TrimSuffix(digits, ".") // a balance may print "12." and show 12
	if minus && strings.ContainsAny(digits, "123456789") {
		return "-" + digits
	}
	return digits
}
