package formula

import "strings"

// Dimension is what a quantity measures: the powers of mass, length, time, temperature and amount of substance. It is comparable with ==.
// The zero value is that of plain numbers, of per cent and of pieces.
type Dimension struct {
	Mass, Length, Time, Temperature, Amount int8
	// Celsius is a temperature in degrees Celsius, which has its zero elsewhere: it may be compared with another, averaged, and subtracted
	// from another, which leaves kelvins; it is no factor. All powers are 0 then.
	Celsius bool
}

var celsius = Dimension{Celsius: true}
var kelvin = Dimension{Temperature: 1}

// names holds the dimensions that people have a word for.
var names = map[Dimension]string{
	{}:                              "a number",
	{Mass: 1}:                       "a mass",
	{Length: 1}:                     "a length",
	{Length: 2}:                     "an area",
	{Length: 3}:                     "a volume",
	{Time: 1}:                       "a time",
	kelvin:                          "a temperature difference",
	celsius:                         "a Celsius temperature",
	{Amount: 1}:                     "an amount of substance",
	{Mass: 1, Length: -3}:           "a mass per volume",
	{Mass: 1, Length: -2}:           "a mass per area",
	{Mass: 1, Length: -1}:           "a mass per length",
	{Mass: 1, Time: -1}:             "a mass per time",
	{Mass: 1, Amount: -1}:           "a mass per amount of substance",
	{Amount: 1, Mass: -1}:           "an amount of substance per mass",
	{Amount: 1, Length: -3}:         "an amount of substance per volume",
	{Length: 3, Mass: -1}:           "a volume per mass",
	{Length: 3, Time: -1}:           "a volume per time",
	{Mass: 1, Length: -1, Time: -2}: "a pressure",
	{Length: 3, Amount: -1}:         "a volume per amount of substance",
	{Temperature: -1}:               "a number per temperature difference",
	{Mass: -1}:                      "a number per mass",
	{Length: -3}:                    "a number per volume",
	{Length: 1, Time: -1}:           "a speed",
	{Mass: 2}:                       "a mass squared",
	{Mass: 1, Length: 1, Time: -2}:  "a force",
	{Mass: 1, Length: 2, Time: -2}:  "an energy",
	{Time: -1}:                      "a number per time",
	{Length: -1}:                    "a number per length",
	{Length: -2}:                    "a number per area",
	{Temperature: 1, Time: -1}:      "a temperature difference per time",
	{Mass: 1, Length: -2, Time: -1}: "a mass per area and time",
}

// String says the dimension in words: "a mass", "a mass per area".
func (d Dimension) String() string {
	if s, ok := names[d]; ok {
		return s
	}
	var above, below []string
	for i, p := range d.powers() {
		word := []string{"mass", "length", "time", "temperature difference", "amount of substance"}[i]
		switch {
		case p > 0:
			above = append(above, word+powerWord(int(p)))
		case p < 0:
			below = append(below, word+powerWord(int(-p)))
		}
	}
	text := "a number"
	if len(above) > 0 {
		text = "a quantity of " + strings.Join(above, " times ")
	}
	if len(below) > 0 {
		text += " per " + strings.Join(below, " and per ")
	}
	return text
}

func powerWord(p int) string {
	return []string{"", "", " squared", " cubed", " to the 4th", " to the 5th", " to the 6th", " to the 7th", " to the 8th", " to the 9th", " to the 10th",
		" to the 11th", " to the 12th"}[min(p, MaxExponent)]
}

func (d Dimension) powers() [5]int8 {
	return [5]int8{d.Mass, d.Length, d.Time, d.Temperature, d.Amount}
}

// times gives d · other^n. ok is false where a power passes MaxExponent, and for degrees Celsius with anything but a number to the power 1.
func (d Dimension) times(other Dimension, n int) (product Dimension, ok bool) {
	if d.Celsius || other.Celsius {
		return Dimension{}, false
	}
	a, b := d.powers(), other.powers()
	var out [5]int8
	for i := range a {
		p := int(a[i]) + int(b[i])*n
		if p > MaxExponent || p < -MaxExponent {
			return Dimension{}, false
		}
		out[i] = int8(p)
	}
	return Dimension{Mass: out[0], Length: out[1], Time: out[2], Temperature: out[3], Amount: out[4]}, true
}

// half gives the dimension of a square root. ok is false where a power is odd.
func (d Dimension) half() (root Dimension, ok bool) {
	p := d.powers()
	for i := range p {
		if p[i]%2 != 0 {
			return Dimension{}, false
		}
		p[i] /= 2
	}
	return Dimension{Mass: p[0], Length: p[1], Time: p[2], Temperature: p[3], Amount: p[4]}, !d.Celsius
}
