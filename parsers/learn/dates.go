package learn

import (
	"bytes"
	"fmt"
	"strings"
	"time"
)

// dateOrder is how a date is printed, in the words of a layout's date key; the zero value keeps dates as printed.
type dateOrder struct {
	order   string // day.month.year
	century int
	months  []string
}

// dates gives their roles to the slots of dates and times.
func (p *plan) dates(a *Answers, c *context) {
	date, clock := p.taken("date"), p.taken("time")
	for i := range p.g.slots {
		s := &p.g.slots[i]
		switch {
		case p.roles[i].field != "" || i == p.weight:
		case s.kind == tokTime && !clock && p.g.present(s) == len(s.vals):
			clock = true
			p.roles[i] = role{field: "time", why: "a time of day"}
		case s.kind == tokDate && clockLike(p.g.values(s)):
			p.roles[i] = role{field: "ignore", why: "hours, minutes and seconds, or a date"}
			p.doubt("", "%q may be a time of day or a date: it is passed over", p.g.example(i))
		case s.kind == tokDate && !date && p.g.present(s) == len(s.vals):
			date = true
			p.roles[i] = role{field: "date", why: "a date"}
			p.orderDate(s, a)
		case s.kind == tokTime || s.kind == tokDate:
			p.roles[i] = role{field: "ignore", why: "another date or time"}
		}
	}
}

// clockLike says that what looks like dates can be times of day, hours first, whose last part changes from line to line: a
// year does not, and a day that is printed behind year and month has the year in front, which is no hour from 24 on.
func clockLike(values [][]byte) bool {
	last := map[string]bool{}
	for _, v := range values {
		parts, seps := dateParts(v)
		if len(parts) != 3 || seps[0] != "." {
			return false
		}
		for i, most := range []int{24, 60, 60} {
			if len(parts[i]) != 2 || digitRun([]byte(parts[i])) != 2 || number([]byte(parts[i])) >= most {
				return false
			}
		}
		last[parts[2]] = true
	}
	return len(last) > 2 || len(last) == 2 && len(values) < 5
}

// orderDate finds the order of day, month and year: by a year of four digits, by numbers above twelve, and by the order of
// the lines. Where two orders fit, the date is kept as printed.
func (p *plan) orderDate(s *slot, a *Answers) {
	p.orderValues(p.g.values(s), a)
}

// orderValues is orderDate for the dates themselves.
func (p *plan) orderValues(values [][]byte, a *Answers) {
	var fits []dateOrder
	for _, letters := range []string{"dmy", "mdy", "ymd", "ydm"} {
		if o, ok := orderOf(letters, values); ok {
			fits = append(fits, o)
		}
	}
	if a.Date != "" {
		letters, _ := dateLetters(a.Date)
		if o, ok := orderOf(letters, values); ok {
			p.date = o
			return
		}
		p.doubt("date", "the dates do not fit the order %s that the answers give, and are kept as printed", a.Date)
		return
	}
	fits = plausible(fits, values)
	switch len(fits) {
	case 1:
		p.date = fits[0]
	case 0:
		p.doubt("date", "the dates do not fit one order and are kept as printed")
	default:
		q := Question{Key: "date", Text: fmt.Sprintf("In what order is the date %q?", values[len(values)-1])}
		for _, o := range fits {
			q.Choices = append(q.Choices, Choice{o.order, "it is " + o.say(values[len(values)-1])})
		}
		p.ask(q)
		p.dateFits = fits
		p.doubt("date", "the date %q may be %s or %s: it is kept as printed", values[len(values)-1], fits[0].say(values[len(values)-1]), fits[1].say(values[len(values)-1]))
	}
}

// plausible drops orders in which the dates do not stay within a year or run backwards, if another order is left.
func plausible(fits []dateOrder, values [][]byte) []dateOrder {
	var keep []dateOrder
	for _, o := range fits {
		if o.order[:3] == "yea" && strings.HasPrefix(o.order, "year") && strings.Index(o.order, "day") < strings.Index(o.order, "month") {
			continue // year-day-month is in no use
		}
		keep = append(keep, o)
	}
	fits = keep
	if len(fits) < 2 {
		return fits
	}
	keep = nil
	for _, o := range fits {
		first, last, backwards := time.Time{}, time.Time{}, false
		for _, v := range values {
			t, _ := o.read(v)
			if first.IsZero() {
				first = t
			}
			backwards = backwards || t.Before(last)
			last = t
		}
		if !backwards && last.Sub(first) < 200*24*time.Hour {
			keep = append(keep, o)
		}
	}
	if len(keep) == 1 {
		return keep
	}
	return fits
}

// orderOf tries an order on all dates.
func orderOf(letters string, values [][]byte) (o dateOrder, ok bool) {
	if len(values) == 0 {
		return o, false
	}
	parts, seps := dateParts(values[0])
	if len(parts) != 3 {
		return o, false
	}
	names := map[byte]string{'y': "year", 'm': "month", 'd': "day"}
	for i := range 3 {
		o.order += names[letters[i]]
		if i < 2 {
			o.order += seps[i]
		}
		if letters[i] == 'y' && len(parts[i]) == 2 {
			o.century = 2000
		}
		if isLetter(parts[i][0]) {
			if letters[i] != 'm' {
				return o, false
			}
			months, found := monthNames(values, i)
			if !found {
				return o, false
			}
			o.months = months
		}
	}
	for _, v := range values {
		if _, ok := o.read(v); !ok {
			return o, false
		}
	}
	return o, true
}

// dateParts cuts a date into its three parts and what stands between.
func dateParts(v []byte) (parts, seps []string) {
	for i := 0; i < len(v); {
		j := i
		letters := isLetter(v[i])
		for j < len(v) && (letters && isLetter(v[j]) || !letters && isDigit(v[j])) {
			j++
		}
		if j == i {
			return nil, nil
		}
		parts = append(parts, string(v[i:j]))
		i = j
		if i < len(v) && !isLetter(v[i]) && !isDigit(v[i]) {
			seps = append(seps, string(v[i]))
			i++
		} else {
			seps = append(seps, "")
		}
	}
	return parts, seps
}

// read gives the day that a date names in this order.
func (o dateOrder) read(v []byte) (t time.Time, ok bool) {
	parts, seps := dateParts(v)
	letters, _ := dateLetters(o.order)
	if len(parts) != 3 || len(letters) != 3 {
		return t, false
	}
	var year, month, day int
	between := ""
	for i := range 3 {
		if i < 2 {
			between += seps[i]
		}
		n := 0
		if isLetter(parts[i][0]) {
			for k, m := range o.months {
				if m == parts[i] {
					n = k + 1
				}
			}
		} else {
			n = number([]byte(parts[i]))
		}
		switch letters[i] {
		case 'y':
			if (len(parts[i]) == 2) != (o.century > 0) || len(parts[i]) != 2 && len(parts[i]) != 4 {
				return t, false
			}
			year = n + o.century
		case 'm':
			month = n
		default:
			day = n
		}
		if letters[i] != 'y' && len(parts[i]) > 2 && !isLetter(parts[i][0]) {
			return t, false
		}
	}
	t = time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	return t, t.Year() == year && int(t.Month()) == month && t.Day() == day && strings.ReplaceAll(strings.ReplaceAll(strings.ReplaceAll(o.order, "year", ""), "month", ""), "day", "") == between
}

func (o dateOrder) say(v []byte) string {
	t, _ := o.read(v)
	return t.Format("2 January 2006")
}

// monthLists are the usual short names of the months.
var monthLists = [][]string{
	strings.Fields("Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec"),
	strings.Fields("Jan Feb Mär Apr Mai Jun Jul Aug Sep Okt Nov Dez"),
	strings.Fields("Jan Feb Mar Apr Mai Jun Jul Aug Sep Okt Nov Dez"),
	strings.Fields("Jan Feb Mrz Apr Mai Jun Jul Aug Sep Okt Nov Dez"),
	strings.Fields("Ene Feb Mar Abr May Jun Jul Ago Sep Oct Nov Dic"),
	strings.Fields("Gen Feb Mar Apr Mag Giu Lug Ago Set Ott Nov Dic"),
	strings.Fields("Jan Fev Mar Abr Mai Jun Jul Ago Set Out Nov Dez"),
	strings.Fields("Jan Feb Mrt Apr Mei Jun Jul Aug Sep Okt Nov Dec"),
	strings.Fields("Jan Feb Mar Apr Maj Jun Jul Aug Sep Okt Nov Dec"),
	strings.Fields("Sty Lut Mar Kwi Maj Cze Lip Sie Wrz Paz Lis Gru"),
}

// monthNames finds the list that holds all the months printed as part i, written as they are printed.
func monthNames(values [][]byte, i int) ([]string, bool) {
	for _, list := range monthLists {
		for _, form := range []func(string) string{strings.ToUpper, strings.ToLower, func(s string) string { return s }} {
			names, all := make([]string, 12), true
			for k, m := range list {
				names[k] = form(m)
			}
			for _, v := range values {
				parts, _ := dateParts(v)
				all = all && len(parts) == 3 && bytes.Contains([]byte(" "+strings.Join(names, " ")+" "), []byte(" "+parts[i]+" "))
			}
			if all {
				return names, true
			}
		}
	}
	return nil, false
}
