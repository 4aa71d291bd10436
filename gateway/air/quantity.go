package air

import (
	"fmt"
	"math/big"
	"regexp"
	"strings"

	"weighpost/gateway/record"
)

// quantity is one thing that instruments show of the air.
type quantity struct {
	what      string
	shown     func(s *record.AirShown) *record.AirAmount
	units     []string         // UCUM codes
	size      map[string]int64 // of each unit, in that of the bounds
	low, high int64
	bounds    string // in words
}

// quantities are all of them. The bounds are what the air of a laboratory can be at all, and wider than those of any method: they stop another
// unit, a slip of the pen and a broken probe. They are the project's own choice, of no standard.
var quantities = []quantity{
	{"temperature", func(s *record.AirShown) *record.AirAmount { return s.Temperature }, []string{"Cel"}, map[string]int64{"Cel": 1}, -20, 60, "-20 to 60 Cel"},
	{"humidity", func(s *record.AirShown) *record.AirAmount { return s.Humidity }, []string{"%"}, map[string]int64{"%": 1}, 0, 100, "0 to 100 %"},
	{"pressure", func(s *record.AirShown) *record.AirAmount { return s.Pressure }, []string{"hPa", "Pa", "kPa"}, map[string]int64{"Pa": 1, "hPa": 100, "kPa": 1000},
		50_000, 110_000, "500 to 1100 hPa"},
}

// number is what digits may be: no exponent, no grouping, no sign but a minus.
var number = regexp.MustCompile(`^-?[0-9]{1,9}(\.[0-9]{1,9})?$`)

// readingsOf are the readings in what an instrument shows, by what was read.
func readingsOf(s record.AirShown, at record.UTC) (map[string]record.AirReading, error) {
	if err := record.CheckContextID(s.Instrument); err != nil {
		return nil, refused("instrument", "the name of the instrument %v", err)
	}
	all := map[string]record.AirReading{}
	for i := range quantities {
		q := &quantities[i]
		amount := q.shown(&s)
		if amount == nil {
			continue
		}
		if err := q.judge(amount); err != nil {
			return nil, err
		}
		all[q.what] = record.AirReading{What: q.what, Digits: amount.Digits, Unit: amount.Unit, Instrument: s.Instrument, At: at}
	}
	if len(all) == 0 {
		return nil, refused("temperature", "nothing is shown: send temperature, humidity or pressure")
	}
	return all, nil
}

// judge says why an amount cannot be of a laboratory's air.
func (q *quantity) judge(a *record.AirAmount) error {
	size, known := q.size[a.Unit]
	switch {
	case !known:
		return refused(q.what, "the %s has the unit %.8q: it is sent in %s", q.what, a.Unit, strings.Join(q.units, ", "))
	case !number.MatchString(a.Digits):
		return refused(q.what, "the %s is %.20q, which is no plain decimal: write it as 21.3", q.what, a.Digits)
	}
	n, _ := new(big.Rat).SetString(a.Digits) // the pattern is one that it reads
	n.Mul(n, new(big.Rat).SetInt64(size))
	if n.Cmp(new(big.Rat).SetInt64(q.low)) < 0 || n.Cmp(new(big.Rat).SetInt64(q.high)) > 0 {
		return refused(q.what, "the %s is %s %s, and the air of a laboratory has %s: look at the instrument", q.what, a.Digits, a.Unit, q.bounds)
	}
	return nil
}

func refused(field, format string, args ...any) error {
	return &record.NotDone{Field: field, Why: fmt.Sprintf(format, args...)}
}
