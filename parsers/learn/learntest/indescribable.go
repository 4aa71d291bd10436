package learntest

import (
	"strconv"
	"strings"
	"unicode/utf16"
)

// indescribable is a balance that no layout describes. The right outcome is that its prints are not read, or are read as
// they are meant by luck; never another weight.
func indescribable(d dice, g *design) {
	g.number.group, g.number.sign, g.number.width, g.number.zeros, g.number.naked = "", minusAttached, 0, 0, false
	g.number.pointed, g.number.comma = false, false
	g.habits.overs = 0
	plain(d, g)
	g.trim, g.number.coarse = true, false
	tricks := []func(d dice, g *design){exponent, poundsAndOunces, fraction, inParentheses, signFarAway, spelledOut, signWord, otherDigits,
		unitAsPoint, wideCharacters, parityLeft, packed}
	one(d, tricks...)(d, g)
}

// exponent prints a mantissa and a power of ten.
func exponent(d dice, g *design) {
	g.cannot = "powers of ten"
	g.twist = func(_ string, f *Frame) string {
		whole, decimals, _ := strings.Cut(strings.TrimLeft(f.Truth.Digits, "-"), ".")
		digits := strings.TrimLeft(whole+decimals, "0")
		power := len(whole) - 1 - (len(whole+decimals) - len(digits))
		if digits == "" {
			digits, power = "0", 0
		}
		mantissa := digits[:1] + "." + digits[1:]
		sign := "+"
		if power < 0 {
			sign, power = "-", -power
		}
		if strings.HasPrefix(f.Truth.Digits, "-") {
			mantissa = "-" + mantissa
		}
		return mantissa + "E" + sign + pad(power, 2) + " " + g.modes[0].symbol
	}
}

// poundsAndOunces prints one weight in two units.
func poundsAndOunces(d dice, g *design) {
	g.cannot = "two units for one weight"
	g.modes = []unitMode{{symbol: "lb", key: "[lb_av]", max: 90000, step: 1, scale: 3}}
	g.repage(d, "lb")
	g.twist = func(_ string, f *Frame) string {
		whole, decimals, _ := strings.Cut(f.Truth.Digits, ".")
		thousandths, _ := strconv.ParseInt(decimals, 10, 64)
		ounces, tenths := thousandths*160/1000/10, thousandths*160/1000%10
		return whole + " lb " + itoa(ounces) + "." + itoa(tenths) + " oz"
	}
}

// fraction prints halves and quarters.
func fraction(d dice, g *design) {
	g.cannot = "fractions"
	g.modes[0].scale = 2
	g.modes[0].max, g.modes[0].step = 90000, 25
	g.twist = func(_ string, f *Frame) string {
		whole, decimals, _ := strings.Cut(f.Truth.Digits, ".")
		if decimals == "00" {
			return whole + " " + g.modes[0].symbol
		}
		return whole + " " + map[string]string{"25": "1/4", "50": "1/2", "75": "3/4"}[decimals] + " " + g.modes[0].symbol
	}
}

// inParentheses prints negative weights as accountants do.
func inParentheses(d dice, g *design) {
	g.cannot = "parentheses for minus"
	g.habits.negatives = 25
	g.twist = func(line string, f *Frame) string {
		if !strings.HasPrefix(f.Truth.Digits, "-") {
			return line
		}
		return strings.Replace(line, f.printed, "("+strings.TrimLeft(f.printed, "-")+")", 1)
	}
}

// signFarAway prints the sign on the far side of the unit.
func signFarAway(d dice, g *design) {
	g.cannot = "a sign beyond the unit"
	g.habits.negatives = 25
	before := d.in100(50)
	g.twist = func(_ string, f *Frame) string {
		digits, sign := strings.TrimLeft(f.Truth.Digits, "-"), " "
		if strings.HasPrefix(f.Truth.Digits, "-") {
			sign = "-"
		}
		if before {
			return sign + " " + g.modes[0].symbol + " " + digits
		}
		return strings.TrimRight(digits+" "+g.modes[0].symbol+" "+sign, " ")
	}
}

// spelledOut leaves a blank between any two characters.
func spelledOut(d dice, g *design) {
	g.cannot = "blanks between digits"
	g.twist = func(_ string, f *Frame) string {
		return strings.Join(strings.Split(f.Truth.Digits, ""), " ") + "  " + g.modes[0].symbol
	}
}

// signWord prints a word for minus.
func signWord(d dice, g *design) {
	g.cannot = "a word for minus"
	g.habits.negatives = 25
	word := one(d, "minus ", "neg ", "MINUS ", "(-) ")
	g.twist = func(line string, f *Frame) string {
		if !strings.HasPrefix(f.Truth.Digits, "-") {
			return line
		}
		return strings.Replace(line, f.printed, word+strings.TrimLeft(f.printed, "-"), 1)
	}
}

// otherDigits prints digits of another script, or a point that stands in the middle.
func otherDigits(d dice, g *design) {
	g.cannot = "digits that are not ASCII"
	g.page = "utf-8"
	zero, point := one(d, '０', '٠', '०'), "."
	if d.in100(40) {
		g.cannot, zero, point = "a point in the middle", '0', "·"
	}
	g.twist = func(line string, f *Frame) string {
		out := strings.Map(func(c rune) rune {
			if c >= '0' && c <= '9' {
				return zero + c - '0'
			}
			return c
		}, f.printed)
		return strings.Replace(line, f.printed, strings.Replace(out, ".", point, 1), 1)
	}
}

// unitAsPoint prints the unit where the point belongs.
func unitAsPoint(d dice, g *design) {
	g.cannot = "the unit in place of the point"
	g.twist = func(_ string, f *Frame) string {
		if !strings.Contains(f.Truth.Digits, ".") {
			return f.Truth.Digits + g.modes[0].symbol
		}
		return strings.Replace(f.Truth.Digits, ".", g.modes[0].symbol, 1)
	}
}

// wideCharacters prints two bytes a character.
func wideCharacters(d dice, g *design) {
	g.cannot = "two bytes a character"
	g.wrap.terms = []string{""}
	g.twist = func(line string, f *Frame) string { return line + "\r\n" }
	g.mangle = func(b []byte) (out []byte) {
		for _, c := range utf16.Encode([]rune(string(b))) {
			out = append(out, byte(c), byte(c>>8))
		}
		return out
	}
	g.page = "utf-8"
}

// parityLeft is a port opened without the parity that the balance sends: even parity in the eighth bit.
func parityLeft(d dice, g *design) {
	g.cannot = "parity in the eighth bit"
	g.mangle = func(b []byte) []byte {
		for i, c := range b {
			for x := c & 0x7F; x > 0; x &= x - 1 {
				c ^= 0x80
			}
			b[i] = c
		}
		return b
	}
}

// packed prints two digits in each byte.
func packed(d dice, g *design) {
	g.cannot = "two digits in a byte"
	g.twist = func(_ string, f *Frame) string {
		digits := strings.NewReplacer("-", "", ".", "").Replace(f.Truth.Digits)
		if len(digits)%2 == 1 {
			digits = "0" + digits
		}
		var out strings.Builder
		for i := 0; i < len(digits); i += 2 {
			out.WriteByte((digits[i]-'0')<<4 | digits[i+1] - '0')
		}
		return "\x02" + out.String() + "\x03"
	}
	g.page = "utf-8"
}
