package layout

import (
	"bytes"
	"time"
)

// dateRule says how a balance prints its date. Without an order the date is kept as printed.
type dateRule struct {
	order   [3]byte // of 'y', 'm' and 'd'; zero where it is not known
	between [2]byte // what is printed between them; 0 for nothing
	century int     // 0 for years of four digits; else what to add to a year of two
	months  [][]byte
}

// put keeps a printed date as ISO 8601 if the order is known. It refuses what is no day of the calendar.
func (d *dateRule) put(r *Reading, page codePage, v []byte) whyCode {
	if d.order[0] == 0 {
		return r.put(&r.date, page, v)
	}
	var year, month, day int
	for i := range d.order {
		part, rest, ok := d.cut(v, i)
		if !ok {
			return whyNotDate
		}
		n, ok := d.part(d.order[i], part)
		if !ok {
			return whyNotDate
		}
		switch v = rest; d.order[i] {
		case 'y':
			year = n
		case 'm':
			month = n
		default:
			day = n
		}
	}
	t := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	if len(v) > 0 || year < 1 || t.Year() != year || int(t.Month()) != month || t.Day() != day {
		return whyNotDate
	}
	iso := [10]byte{digit(year / 1000), digit(year / 100), digit(year / 10), digit(year), '-',
		digit(month / 10), digit(month), '-', digit(day / 10), digit(day)}
	return r.put(&r.date, codePage{}, iso[:])
}

// cut takes part i off v: up to the character that follows it, or by its own length where none does.
func (d *dateRule) cut(v []byte, i int) (part, rest []byte, ok bool) {
	if i == len(d.between) {
		return v, nil, true
	}
	if c := d.between[i]; c != 0 {
		return bytes.Cut(v, []byte{c})
	}
	n := 2
	if d.order[i] == 'y' && d.century == 0 {
		n = 4
	}
	if d.order[i] == 'm' && len(d.months) > 0 {
		for _, m := range d.months {
			if bytes.HasPrefix(v, m) {
				return m, v[len(m):], true
			}
		}
	}
	if len(v) < n {
		return nil, nil, false
	}
	return v[:n], v[n:], true
}

// part reads a year, a month or a day.
func (d *dateRule) part(what byte, b []byte) (n int, ok bool) {
	if what == 'm' && len(d.months) > 0 {
		for i, m := range d.months {
			if bytes.Equal(m, b) {
				return i + 1, true
			}
		}
		return 0, false
	}
	most := 2
	if what == 'y' && d.century == 0 {
		most = 4
	}
	if !allDigits(b) || len(b) > most || what == 'y' && len(b) != most {
		return 0, false
	}
	for _, c := range b {
		n = 10*n + int(c-'0')
	}
	if what == 'y' {
		n += d.century
	}
	return n, true
}

// write appends an ISO 8601 date as the balance prints it.
func (d *dateRule) write(dst []byte, iso string) (out []byte, ok bool) {
	t, err := time.Parse(time.DateOnly, iso)
	if err != nil {
		return dst, false
	}
	two := func(n int) { dst = append(dst, digit(n/10), digit(n)) }
	for i, what := range d.order {
		switch {
		case what == 'd':
			two(t.Day())
		case what == 'm' && len(d.months) > 0:
			dst = append(dst, d.months[t.Month()-1]...)
		case what == 'm':
			two(int(t.Month()))
		case d.century > 0 && t.Year()/100*100 != d.century:
			return dst, false
		default:
			if d.century == 0 {
				two(t.Year() / 100)
			}
			two(t.Year() % 100)
		}
		if i < len(d.between) && d.between[i] != 0 {
			dst = append(dst, d.between[i])
		}
	}
	return dst, true
}

func digit(n int) byte { return byte('0' + n%10) }

// parseOrder reads "day.month.year".
func parseOrder(s string) (d dateRule, ok bool) {
	names := [...]string{"year", "month", "day"}
	for i := range d.order {
		for _, name := range names {
			if len(s) >= len(name) && s[:len(name)] == name && !bytes.ContainsRune(d.order[:i], rune(name[0])) {
				d.order[i], s = name[0], s[len(name):]
				break
			}
		}
		if d.order[i] == 0 {
			return d, false
		}
		if i < 2 && len(s) > 0 && bytes.IndexByte([]byte("-./ "), s[0]) >= 0 {
			d.between[i], s = s[0], s[1:]
		}
	}
	return d, s == ""
}
