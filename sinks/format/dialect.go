package format

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// CSVDialect says which columns a table has and how it is written.
type CSVDialect struct {
	Columns     []string          `yaml:"columns" desc:"Which columns, in which order: id, utc, local_time, balance, digits, unit, sample and others; fields.NAME is a free field of the context. Left out: all but local_time and fields.NAME."`
	Names       map[string]string `yaml:"names" desc:"Headings that are to be others than the names of the columns, such as digits: Weight."`
	Separator   string            `yaml:"separator" desc:"What stands between columns." enum:"comma,semicolon,tab" default:"comma"`
	Decimal     string            `yaml:"decimal" desc:"The decimal sign of digits and bound_s. Nothing else of the digits changes." enum:"point,comma" default:"point"`
	BOM         bool              `yaml:"bom" desc:"Open the file with a byte-order mark, without which some programs take UTF-8 for another code." default:"false"`
	Spreadsheet bool              `yaml:"spreadsheet" desc:"For spreadsheet programs: text that they would run as a formula gets an apostrophe, and the file a byte-order mark." default:"false"`
	Header      bool              `yaml:"header" desc:"Open with a row of headings." default:"true"`
}

func defaultDialect() CSVDialect {
	return CSVDialect{Separator: "comma", Decimal: "point", Header: true}
}

var separators = map[string]byte{"comma": ',', "semicolon": ';', "tab": '\t'}

// fieldColumn opens the names of columns that hold one free field of the context.
const fieldColumn = "fields."

const maxColumns = 200

// further are columns that a table has only where they are asked for.
var further = []column{
	{"local_time", true, func(w *record.Weighing) string { return localTime(w) }},
	{"capacity", false, func(w *record.Weighing) string { return w.Balance.Capacity }},
	{"person_name", false, func(w *record.Weighing) string { return nameOf(w.Context.Person) }},
	{"printed_date", false, func(w *record.Weighing) string { return printed(w).Date }},
	{"printed_time", false, func(w *record.Weighing) string { return printed(w).Time }},
	{"held", true, func(w *record.Weighing) string { return strconv.FormatBool(w.Fitness.Held) }},
	{"count", false, func(w *record.Weighing) string { return printed(w).Count }},
}

// columnNamed finds a column, or says that there is none.
func columnNamed(name string) (column, bool) {
	if key, is := strings.CutPrefix(name, fieldColumn); is && key != "" {
		return column{name, false, func(w *record.Weighing) string { return w.Context.Fields[key] }}, true
	}
	for _, c := range slices.Concat(columns, further) {
		if c.name == name {
			return c, true
		}
	}
	return column{}, false
}

func columnNames() string {
	var names []string
	for _, c := range slices.Concat(columns, further) {
		names = append(names, c.name)
	}
	return strings.Join(names, ", ") + ", fields.NAME"
}

// checkCSV adds the faults of the group to r.
func checkCSV(c *Choice, r *strict.Report, use Use) {
	d := &c.CSV
	if _, known := separators[d.Separator]; !known {
		r.At("separator").Fault(fmt.Sprintf("%.40q is no separator", d.Separator), "comma, semicolon or tab")
	}
	if d.Decimal != "point" && d.Decimal != "comma" {
		r.At("decimal").Fault(fmt.Sprintf("%.40q is no decimal sign", d.Decimal), "point or comma")
	}
	if len(d.Columns) > maxColumns {
		r.At("columns").Fault(fmt.Sprintf("there are %d columns", len(d.Columns)), fmt.Sprintf("at most %d", maxColumns))
	}
	for i, name := range d.Columns {
		at := r.At("columns").Index(i)
		if _, known := columnNamed(name); !known {
			at.Fault(fmt.Sprintf("%.40q is no column", name), columnNames())
		} else if slices.Index(d.Columns, name) < i {
			at.Fault(fmt.Sprintf("%.40q stands here twice", name), "each column once")
		}
	}
	for _, name := range sortedKeys(d.Names) {
		if !slices.Contains(d.chosen(), name) {
			r.At("names").At(name).Fault(fmt.Sprintf("%.40q is no column of this table", name), strings.Join(d.chosen(), ", "))
		}
	}
	if use == Added && !d.Header {
		r.At("header").Fault("rows are added to a file that is there already, and whether it has these columns is known by its headings",
			"header: true, or one file for each entry or closed period")
	}
	if use == Added && len(d.Columns) > 0 {
		d.checkAdded(r.At("columns"))
	}
}

// checkAdded wants rows that can be found again in a file, and of which it shows when one was cut off: the id, and at the end a
// column that is never empty and whose end is known.
func (d *CSVDialect) checkAdded(r *strict.Report) {
	if !slices.Contains(d.Columns, "id") {
		r.Fault("rows are added to a file that is there already, and are found again in it by their id, which is no column here",
			"columns with id among them, or one file for each entry or closed period")
	}
	if last := d.Columns[len(d.Columns)-1]; wholeEnd[last] == nil {
		r.Fault("rows are added to a file that is there already, and a row that was cut off within the column "+last+" would not show",
			"schema or utc as the last column, or one file for each entry or closed period")
	}
}

// wholeEnd are columns whose value shows that it was not cut off.
var wholeEnd = map[string]*regexp.Regexp{
	"schema": regexp.MustCompile(`^weighpost\..*/1$`),
	"utc":    regexp.MustCompile(`^[0-9T:.-]*Z$`),
}

// chosen are the names of the columns that the table has.
func (d *CSVDialect) chosen() []string {
	if len(d.Columns) > 0 {
		return d.Columns
	}
	return CSVHeader()
}

// table is a CSVDialect that is ready for use.
type table struct {
	columns     []column
	head        []byte
	separator   byte
	comma       bool // the decimal sign
	spreadsheet bool
	header      bool
	id          int // which column has the id, -1: none
}

func openCSV(c *Choice, _ sinks.Env) (Format, error) {
	d := &c.CSV
	t := &table{separator: separators[d.Separator], comma: d.Decimal == "comma", spreadsheet: d.Spreadsheet, header: d.Header,
		id: slices.Index(d.chosen(), "id")}
	if t.separator == 0 {
		return nil, fmt.Errorf("%.40q separates no columns: use comma, semicolon or tab", d.Separator)
	}
	var names []string
	for _, name := range d.chosen() {
		col, known := columnNamed(name)
		if !known {
			return nil, fmt.Errorf("%.40q is no column: there are %s", name, columnNames())
		}
		t.columns = append(t.columns, col)
		if other, has := d.Names[name]; has {
			name = other
		}
		if d.Spreadsheet {
			name = ForSpreadsheet(name, false)
		}
		names = append(names, name)
	}
	if d.BOM || d.Spreadsheet {
		t.head = []byte(BOM)
	}
	if d.Header {
		t.head = appendCSV(t.head, names, t.separator)
	}
	return t, nil
}

func (t *table) Carries(k record.Kind) bool         { return HasCSV(k) }
func (t *table) Ext() string                        { return ".csv" }
func (t *table) Head() []byte                       { return slices.Clone(t.head) }
func (t *table) LineEnd() string                    { return "\r\n" }
func (t *table) EndOfRow(b []byte) int              { return EndOfCSV(b) }
func (t *table) Stream(w io.Writer) (Stream, error) { return newRowStream(w, t) }

// Type is after RFC 4180 section 3, whose parameter header says whether there are headings.
func (t *table) Type() string {
	if t.header {
		return "text/csv; charset=utf-8; header=present"
	}
	return "text/csv; charset=utf-8; header=absent"
}

func (t *table) Entry(e record.Entry) (Payload, error) {
	body, err := t.AppendRow(t.Head(), e)
	return Payload{Type: t.Type(), Body: body}, err
}

func (t *table) AppendRow(dst []byte, e record.Entry) ([]byte, error) {
	fields, err := t.fields(e)
	if err != nil {
		return dst, err
	}
	return appendCSV(dst, fields, t.separator), nil
}

// fields gives the values of the columns. Digits stand as they are in the record, but for the decimal sign where it is to be another.
func (t *table) fields(e record.Entry) ([]string, error) {
	if !HasCSV(e.Kind) {
		return nil, NotHeld{fmt.Errorf("entry %s is of the kind %q, which has no CSV form: only weighings and results have", e.ID, e.Kind)}
	}
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		return nil, NotHeld{fmt.Errorf("entry %s cannot be read: %w", e.ID, err)}
	}
	fields := make([]string, len(t.columns))
	for i, c := range t.columns {
		text := c.value(&w)
		if t.spreadsheet {
			text = ForSpreadsheet(text, c.own)
		}
		if t.comma && decimals[c.name] && number.MatchString(text) {
			text = strings.Replace(text, ".", ",", 1)
		}
		fields[i] = text
	}
	return fields, nil
}

// decimals are columns whose decimal sign can be chosen. Others that hold a number are text that somebody wrote.
var decimals = map[string]bool{"digits": true, "bound_s": true}

func (t *table) ID(row []byte) (string, error) {
	fields, err := parseCSV(row, t.separator)
	if err != nil {
		return "", err
	}
	if t.id < 0 {
		return "", errors.New("the table has no column for the id")
	}
	if len(fields) != len(t.columns) {
		return "", fmt.Errorf("it has %d columns rather than %d", len(fields), len(t.columns))
	}
	last := t.columns[len(fields)-1].name
	if whole := wholeEnd[last]; whole != nil && !whole.MatchString(fields[len(fields)-1]) {
		return "", fmt.Errorf("its last column is %.40q and no %s", fields[len(fields)-1], last)
	}
	return fields[t.id], nil
}

// localTime is the stamp's instant as a clock on the wall of the place showed it, with its offset from UTC.
func localTime(w *record.Weighing) string {
	zone, err := parseZone(w.Stamp.Zone)
	if err != nil {
		return "" // no place without an offset
	}
	return w.Stamp.UTC.Time().In(zone).Format("2006-01-02T15:04:05.000000-07:00")
}

func nameOf(l *record.Learnt) string {
	if l == nil {
		return ""
	}
	return l.Name
}

func printed(w *record.Weighing) record.Printed {
	if w.Printed == nil {
		return record.Printed{}
	}
	return *w.Printed
}
