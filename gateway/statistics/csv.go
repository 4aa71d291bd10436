package statistics

import (
	"strconv"

	"weighpost/sinks/format"
)

// column is a column of the CSV form. own: weighpost writes it in a fixed form; all others are text that people wrote.
type column struct {
	name  string
	own   bool
	value func(*Group) string
}

func count(n func(*Group) int) func(*Group) string {
	return func(g *Group) string { return strconv.Itoa(n(g)) }
}

var columns = []column{
	{"procedure", false, func(g *Group) string { return g.Procedure }},
	{"versions", false, (*Group).VersionsText},
	{"result", false, func(g *Group) string { return g.Result }},
	{"label", false, func(g *Group) string { return g.Label }},
	{"unit", false, func(g *Group) string { return g.Unit }},
	{"of", false, func(g *Group) string { return g.Of }},
	{"n", true, count((*Group).N)},
	{"mean", true, func(g *Group) string { return g.Text(g.Mean()) }},
	{"sd", true, func(g *Group) string { return g.Text(g.SD()) }},
	{"cv_percent", true, func(g *Group) string { return Percent(g.CV()) }},
	{"least", true, (*Group).Least},
	{"most", true, (*Group).Most},
	{"passed", true, count(func(g *Group) int { return g.Count(Passed) })},
	{"warned", true, count(func(g *Group) int { return g.Count(Warned) })},
	{"failed", true, count(func(g *Group) int { return g.Count(Failed) })},
	{"outside_percent", true, func(g *Group) string { return Percent(g.Outside()) }},
	{"allowed", true, count((*Group).Allowed)},
	{"approved", true, count((*Group).Approved)},
	{"without", true, count(func(g *Group) int { return g.Without })},
	{"excluded", true, count(func(g *Group) int { return g.Excluded })},
}

// CSV writes the groups as a table (RFC 4180), a line for each. For spreadsheets there is a mark of the encoding in front, and an apostrophe
// before text that would run as a formula.
func (t *Table) CSV(spreadsheet bool) (table []byte) {
	fields := make([]string, len(columns))
	for i, c := range columns {
		fields[i] = c.name
	}
	if spreadsheet {
		table = append(table, format.BOM...)
	}
	table = format.AppendCSV(table, fields)
	for _, g := range t.Groups {
		for i, c := range columns {
			if fields[i] = c.value(g); spreadsheet {
				fields[i] = format.ForSpreadsheet(fields[i], c.own)
			}
		}
		table = format.AppendCSV(table, fields)
	}
	return table
}
