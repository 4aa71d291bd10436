package format

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"weighpost/gateway/record"
)

// BOM opens a CSV file for spreadsheets: without it they take UTF-8 for the code page of the system.
const BOM = "\ufeff"

// column is one column of the CSV form of a weighing or a result.
type column struct {
	name string
	// own says that the value is made by weighpost in a fixed form. All others are text that people and devices send.
	own   bool
	value func(*record.Weighing) string
}

// columns is the CSV form. The last column is never empty and the same for all rows of a kind, so that a row that was cut off
// shows. A new column changes the header: files that were begun with the old one are refused, not mixed.
var columns = []column{
	{"id", true, func(w *record.Weighing) string { return w.ID }},
	{"seq", true, func(w *record.Weighing) string { return strconv.FormatUint(w.Seq, 10) }},
	{"site", false, func(w *record.Weighing) string { return w.Site }},
	{"balance", false, func(w *record.Weighing) string { return w.Balance.ID }},
	{"serial", false, func(w *record.Weighing) string { return w.Balance.Serial }},
	{"place", false, func(w *record.Weighing) string { return w.Balance.Place }},
	{"readability", false, func(w *record.Weighing) string { return w.Balance.Readability }},
	{"identity", false, func(w *record.Weighing) string { return w.Balance.Identity }},
	{"digits", false, func(w *record.Weighing) string { return w.Value.Digits }},
	{"unit", false, func(w *record.Weighing) string { return w.Value.Unit }},
	{"printed_unit", false, func(w *record.Weighing) string { return w.Value.PrintedUnit }},
	{"kind", false, func(w *record.Weighing) string { return w.Value.Kind }},
	{"stability", false, func(w *record.Weighing) string { return w.Value.Stability }},
	{"range", false, func(w *record.Weighing) string { return w.Value.Range }},
	{"auxiliary_digits", true, func(w *record.Weighing) string { return strconv.Itoa(w.Value.AuxiliaryDigits) }},
	{"utc", true, func(w *record.Weighing) string { return w.Stamp.UTC.String() }},
	{"zone", true, func(w *record.Weighing) string { return w.Stamp.Zone }},
	{"bound_s", true, bound},
	{"clock", false, func(w *record.Weighing) string { return w.Stamp.Clock }},
	{"balance_printed", false, func(w *record.Weighing) string { return w.Stamp.BalancePrinted }},
	{"sample", false, func(w *record.Weighing) string { return learnt(w.Context.Sample) }},
	{"person", false, func(w *record.Weighing) string { return learnt(w.Context.Person) }},
	{"method", false, func(w *record.Weighing) string { return learnt(w.Context.Method) }},
	{"run", false, func(w *record.Weighing) string { return learnt(w.Context.Run) }},
	{"lot", false, func(w *record.Weighing) string { return learnt(w.Context.Lot) }},
	{"fields", false, func(w *record.Weighing) string { return jsonUnlessEmpty(w.Context.Fields, len(w.Context.Fields)) }},
	{"verdicts", false, func(w *record.Weighing) string { return jsonUnlessEmpty(w.Verdicts, len(w.Verdicts)) }},
	{"fitness", false, func(w *record.Weighing) string { return w.Fitness.State }},
	{"trigger", false, func(w *record.Weighing) string { return w.Trigger }},
	{"port", false, func(w *record.Weighing) string { return w.Port }},
	{"frame", true, func(w *record.Weighing) string { return base64.StdEncoding.EncodeToString(w.Frame) }},
	{"layout", false, func(w *record.Weighing) string { return w.Layout }},
	{"software", false, func(w *record.Weighing) string { return w.Software.Version }},
	{"config", false, func(w *record.Weighing) string { return w.Software.Config }},
	{"schema", true, func(w *record.Weighing) string { return w.Schema }},
}

// CSVHeader gives the names of the columns.
func CSVHeader() []string {
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = c.name
	}
	return names
}

// ForSpreadsheet makes the value of one column safe for a spreadsheet. Text that begins with = + - @, a tab or a line end would
// run as a formula: such text, and text that begins with an apostrophe, gets an apostrophe in front, which takes one away again on
// the way back. Numbers, and what weighpost makes itself in a fixed form (own), are left alone.
func ForSpreadsheet(text string, own bool) string {
	if own && ownForm.MatchString(text) || number.MatchString(text) {
		return text
	}
	return neutral(text)
}

// HasCSV says whether entries of a kind have a CSV form.
func HasCSV(k record.Kind) bool { return k == record.KindWeighing || k == record.KindResult }

var (
	number  = regexp.MustCompile(`^[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)$`)
	ownForm = regexp.MustCompile(`^([+-][0-9]{2}:[0-9]{2}|[A-Za-z0-9][A-Za-z0-9+/=:.@-]*)?$`)
)

func neutral(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n'", rune(text[0])) {
		return "'" + text
	}
	return text
}

// AppendCSV adds one record after RFC 4180 section 2: fields apart by commas, CRLF at the end, and fields that hold a comma, a
// quote or a line end in double quotes, with quotes in them doubled. A field with a space at either end, or with another
// control character, is quoted as well. Nothing in a field is changed (encoding/csv would rewrite line ends).
func AppendCSV(dst []byte, fields []string) []byte { return appendCSV(dst, fields, ',') }

// appendCSV is AppendCSV with another separator.
func appendCSV(dst []byte, fields []string, separator byte) []byte {
	for i, f := range fields {
		if i > 0 {
			dst = append(dst, separator)
		}
		if !quoted(f, separator) {
			dst = append(dst, f...)
			continue
		}
		dst = append(dst, '"')
		dst = append(dst, strings.ReplaceAll(f, `"`, `""`)...)
		dst = append(dst, '"')
	}
	return append(dst, '\r', '\n')
}

func quoted(f string, separator byte) bool {
	if f == "" {
		return false
	}
	if f[0] == ' ' || f[len(f)-1] == ' ' || strings.HasPrefix(f, BOM) {
		return true
	}
	for i := range len(f) {
		if c := f[i]; c < ' ' || c == separator || c == '"' || c == 0x7f {
			return true
		}
	}
	return false
}

// ParseCSV reads one record, with or without its line end, and gives its fields unchanged. Line ends within quotes are kept as
// they are, which encoding/csv does not do. It undoes AppendCSV.
func ParseCSV(row []byte) ([]string, error) { return parseCSV(row, ',') }

// ParseRow is ParseCSV with a separator by its name: comma, semicolon or tab.
func ParseRow(row []byte, separator string) ([]string, error) {
	by := separators[separator]
	if by == 0 {
		return nil, fmt.Errorf("%.40q separates no columns", separator)
	}
	return parseCSV(row, by)
}

// parseCSV is ParseCSV with another separator.
func parseCSV(row []byte, separator byte) ([]string, error) {
	text := strings.TrimSuffix(strings.TrimSuffix(string(row), "\n"), "\r")
	var fields []string
	for {
		if !strings.HasPrefix(text, `"`) {
			field, rest, more := strings.Cut(text, string(separator))
			if strings.ContainsAny(field, "\"\r\n") {
				return nil, fmt.Errorf("field %d holds a quote or a line end and is not in quotes", len(fields)+1)
			}
			fields = append(fields, field)
			if !more {
				return fields, nil
			}
			text = rest
			continue
		}
		field, rest, err := cutQuoted(text[1:], separator)
		if err != nil {
			return nil, fmt.Errorf("field %d %w", len(fields)+1, err)
		}
		fields = append(fields, field)
		if rest == "" {
			return fields, nil
		}
		text = rest[1:]
	}
}

// cutQuoted reads up to the closing quote; rest begins with a separator or is empty.
func cutQuoted(text string, separator byte) (field, rest string, err error) {
	var b strings.Builder
	for {
		part, after, closed := strings.Cut(text, `"`)
		b.WriteString(part)
		switch {
		case !closed:
			return "", "", errors.New("does not end its quotes")
		case after == "" || after[0] == separator:
			return b.String(), after, nil
		case after[0] != '"':
			return "", "", errors.New("goes on after its quotes")
		}
		b.WriteByte('"')
		text = after[1:]
	}
}

// EndOfCSV gives the length of the first record in b with its line end, or 0 when b ends within it. A line end within quotes
// does not end a record.
func EndOfCSV(b []byte) int {
	within := false
	for i, c := range b {
		switch c {
		case '"':
			within = !within
		case '\n':
			if !within {
				return i + 1
			}
		}
	}
	return 0
}

func bound(w *record.Weighing) string {
	if w.Stamp.Bound == nil {
		return ""
	}
	b, err := w.Stamp.Bound.MarshalJSON()
	if err != nil {
		return "" // a negative span cannot come out of JSON
	}
	return string(b)
}

func learnt(l *record.Learnt) string {
	if l == nil {
		return ""
	}
	return l.ID
}

func jsonUnlessEmpty(v any, n int) string {
	if n == 0 {
		return ""
	}
	b, err := json.Marshal(v)
	if err != nil {
		return "" // strings and booleans always encode
	}
	return string(b)
}
