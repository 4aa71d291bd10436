package gs1

import (
	"strconv"
	"strings"
)

// format is what may follow an AI.
type format struct {
	parts []part
	fixed bool // no separator follows: figure 7.8.5-2
}

// part is one component of a value.
type part struct {
	set       byte // N digits, X character set 82, Y character set 39, Z base 64 for files
	least     int
	most      int
	check     bool // its last digit is a check digit
	date      bool // YYMMDD
	dayNeeded bool // and day 00 is no day
	whole     bool // it has the most characters, or is missing
}

// rows are AIs, or ranges of them, with the form of their values: a letter for the characters and the length, ".." before a length
// that is the most, c for a check digit, d for a date whose day may be 00, D for one whose day may not, and brackets around what may
// be missing.
var rows = [...]string{
	"00 N18c", "01 N14c", "02 N14c", "03 N14c", "10 X..20", "11-13 N6d", "15-17 N6d", "20 N2", "21 X..20", "22 X..20", "235 X..28",
	"240-241 X..30", "242 N..6", "243 X..20", "250-251 X..30", "253 N13c [X..17]", "254 X..20", "255 N13c [N..12]", "30 N..8",
	"3100-3105 N6", "3110-3115 N6", "3120-3125 N6", "3130-3135 N6", "3140-3145 N6", "3150-3155 N6", "3160-3165 N6",
	"3200-3205 N6", "3210-3215 N6", "3220-3225 N6", "3230-3235 N6", "3240-3245 N6", "3250-3255 N6", "3260-3265 N6", "3270-3275 N6",
	"3280-3285 N6", "3290-3295 N6", "3300-3305 N6", "3310-3315 N6", "3320-3325 N6", "3330-3335 N6", "3340-3345 N6", "3350-3355 N6",
	"3360-3365 N6", "3370-3375 N6", "3400-3405 N6", "3410-3415 N6", "3420-3425 N6", "3430-3435 N6", "3440-3445 N6", "3450-3455 N6",
	"3460-3465 N6", "3470-3475 N6", "3480-3485 N6", "3490-3495 N6", "3500-3505 N6", "3510-3515 N6", "3520-3525 N6", "3530-3535 N6",
	"3540-3545 N6", "3550-3555 N6", "3560-3565 N6", "3570-3575 N6", "3600-3605 N6", "3610-3615 N6", "3620-3625 N6", "3630-3635 N6",
	"3640-3645 N6", "3650-3655 N6", "3660-3665 N6", "3670-3675 N6", "3680-3685 N6", "3690-3695 N6", "37 N..8",
	"3900-3909 N..15", "3910-3919 N3 N..15", "3920-3929 N..15", "3930-3939 N3 N..15", "3940-3943 N4", "3950-3955 N6",
	"400-401 X..30", "402 N17c", "403 X..30", "410-417 N13c", "420 X..20", "421 N3 X..9", "422 N3", "423 N..15", "424 N3", "425 N..15",
	"426 N3", "427 X..3", "4300-4301 X..35", "4302-4306 X..70", "4307 X2", "4308 X..30", "4309 N20", "4310-4311 X..35",
	"4312-4316 X..70", "4317 X2", "4318 X..20", "4319 X..30", "4320 X..35", "4321-4323 N1", "4324-4325 N6d N4", "4326 N6D",
	"4330-4333 N6 [X1]", "7001 N13", "7002 X..30", "7003 N6D N4", "7004 N..4", "7005 X..12", "7006 N6D", "7007 N6D [N6D]", "7008 X..3",
	"7009 X..10", "7010 X..2", "7011 N6D [N4]", "7020-7022 X..20", "7023 X..30", "7030-7039 N3 X..27", "7040 N1 X3", "710-715 X..20",
	"7230-7239 X2 X..28", "7240 X..20", "7241 N2", "7242 X..25", "8001 N14", "8002 X..20", "8003 N1 N13c [X..16]", "8004 X..30",
	"8005 N6", "8006 N14c N4", "8007 X..34", "8008 N8 [N..4]", "8009 X..50", "8010 Y..30", "8011 N..12", "8012 X..20", "8013 X..25",
	"8017-8018 N18c", "8019 N..10", "8020 X..25", "8026 N14c N4", "8030 Z..90", "8110 X..70", "8111 N4", "8112 X..70", "8200 X..70",
	"90 X..30", "91-99 X..90",
}

// predefined has the length, with the AI, of what begins with two digits and needs no separator (General Specifications, figure
// 7.8.5-2). What begins so and is in no row has a length all the same, and no meaning: it is refused as not known.
var predefined = func() map[string]int {
	m := map[string]int{"00": 20, "01": 16, "02": 16, "03": 16, "04": 18, "20": 4, "41": 16}
	for n := 11; n <= 19; n++ {
		m[strconv.Itoa(n)] = 8
	}
	for n := 31; n <= 36; n++ {
		m[strconv.Itoa(n)] = 10
	}
	return m
}()

// table has the form of every AI, longest has how many digits the AIs have that begin with two digits.
var table, longest = func() (map[string]format, map[string]int) {
	forms, digits := map[string]format{}, map[string]int{}
	for _, row := range rows {
		ais, spec, _ := strings.Cut(row, " ")
		from, to, ranged := strings.Cut(ais, "-")
		if !ranged {
			to = from
		}
		f := format{parts: parts(spec), fixed: predefined[from[:2]] > 0}
		last, _ := strconv.Atoi(to) // the rows are ours
		for n, _ := strconv.Atoi(from); n <= last; n++ {
			ai := strconv.Itoa(n)
			ai = strings.Repeat("0", len(from)-len(ai)) + ai
			forms[ai], digits[ai[:2]] = f, len(ai)
		}
	}
	return forms, digits
}()

func parts(spec string) (list []part) {
	for _, word := range strings.Fields(spec) {
		inner := strings.Trim(word, "[]")
		p := part{set: inner[0]}
		inner = inner[1:]
		for ; strings.ContainsAny(inner[len(inner)-1:], "cdD"); inner = inner[:len(inner)-1] {
			p.check = p.check || inner[len(inner)-1] == 'c'
			p.date = p.date || inner[len(inner)-1] != 'c'
			p.dayNeeded = p.dayNeeded || inner[len(inner)-1] == 'D'
		}
		length, upTo := strings.CutPrefix(inner, "..")
		p.most, _ = strconv.Atoi(length)
		if p.least = p.most; upTo {
			p.least = 1
		}
		if word[0] == '[' {
			p.least, p.whole = 0, !upTo
		}
		list = append(list, p)
	}
	return list
}

// lengths gives how many characters a value may have.
func (f format) lengths() (least, most int) {
	for _, p := range f.parts {
		least, most = least+p.least, most+p.most
	}
	return least, most
}

// Known says whether an AI is one that this package reads.
func Known(ai string) bool { _, ok := table[ai]; return ok }
