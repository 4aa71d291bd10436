package learn

import (
	"bytes"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/sum"
)

// TestOwnSamples learns from made-up samples and reads a line that was not among them.
func TestOwnSamples(t *testing.T) {
	for _, c := range ownSamples {
		t.Run(c.name, func(t *testing.T) {
			var a Answers
			for _, h := range c.hints {
				if err := a.Hint(h); err != nil {
					t.Fatal(err)
				}
			}
			r, err := From(Sample{Bytes: []byte(c.sample)}, a)
			if err != nil {
				t.Fatal(err)
			}
			if c.why != "" {
				if len(r.Candidates) > 0 || !strings.Contains(r.Why, c.why) || len(r.Questions) == 0 {
					t.Fatalf("%d candidates, why %q, %d questions; the why should hold %q\n%s", len(r.Candidates), r.Why, len(r.Questions), c.why, show(r))
				}
				return
			}
			if len(r.Candidates) == 0 {
				t.Fatal(r.Why)
			}
			got := readOne(t, r.Candidates[0].Layout, c.then)
			if got != c.reads {
				t.Errorf("%q is read as %q, and should be as %q\n%s", c.then, got, c.reads, r.Candidates[0].Layout)
			}
		})
	}
}

func show(r *Result) string {
	if len(r.Candidates) == 0 {
		return ""
	}
	return string(r.Candidates[0].Layout)
}

// readOne reads one frame with a layout and gives the reading in short, or "unread".
func readOne(t *testing.T, text []byte, bytes string) string {
	t.Helper()
	l, err := layout.Parse("learnt", text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	got := "unread"
	var r layout.Reading
	s := l.Splitter()
	s.Push([]byte(bytes), func(f frame.Frame) {
		if l.Apply(f, &r) == nil {
			got = short(&r)
			for _, extra := range []string{r.Date(), r.Sample(), r.Person(), r.Balance()} {
				if extra != "" {
					got += " | " + extra
				}
			}
		}
	})
	return got
}

const settling = "~    9.1043 g\r\n~   11.2210 g\r\n~   12.0011 g\r\n=   12.3450 g\r\n=   12.3450 g\r\n=   12.3450 g\r\n" +
	"~   57.1002 g\r\n~   88.9915 g\r\n=   98.6601 g\r\n=   98.6601 g\r\n"

// tares shows a load that comes back under one mark and loads that change under another: marks of kinds do so too.
const tares = "W3 164.177 g\r\nW3 164.177 g\r\nW3 164.177 g\r\nW3 164.177 g\r\nW2  49.333 g\r\nW2  99.065 g\r\nW2  99.066 g\r\nW3 164.177 g\r\nW3 164.177 g\r\n"

// padded fills names of one and two words up to a column, and prints weights of several widths behind it.
const padded = "@Lot VICIA 124        .0000g\r\n@Lot HORD 37          1.0116g\r\n@Lot BETA             2.7554g\r\n@Lot BETA 9           .6800g\r\n@Lot OAT 12           1.0280g\r\n"

// threeKinds shows tares twice and more, and gross and net once each: no mark of them is one for a load that moves.
const threeKinds = "W2 \"      0.040  g\r\nW3 \"      3.785  g\r\nW3 \"      3.785  g\r\nW1 \"      0.480  g\r\nW2 \"      0.000  g\r\n" +
	"W1 \"      0.015  g\r\nW1 \"      0.105  g\r\nW3 \"      4.835  g\r\nW3 \"      4.835  g\r\nW3 \"      4.835  g\r\n"

// turns prints one character, which is a digit in some lines and a mark in others.
const turns = "     1.26 g    8\r\n     1.80 g    8\r\n     2.46 g    <\r\n     2.46 g    <\r\n     2.46 g    <\r\n     0.30 g    8\r\n     0.16 g    8\r\n     0.00 g    <\r\n    -0.00 g    <\r\n    83.26 g    0\r\n"

// noisy has a byte of noise before lines whose weight moves.
const noisy = "\x7fP1  0.0115  g m\r\nP1  0.0150  g m\r\n\x7fP1  0.0171  g m\r\nP1  0.0179  g r\r\nP1  0.0179  g r\r\nP1  0.0179  g r\r\n" +
	"\x7fP1  0.0173  g m\r\nP1  0.0171  g r\r\nP1  0.0171  g r\r\n"

// smallSums ends lines with their exclusive or in three decimal digits.
const smallSums = "kg    0,52361 ii,003\rkg    0,55116 jj,006\rkg    0,55116 jj,006\rkg    0,18128 ii,002\rkg    0,00722 jj,007\rkg    0,00722 jj,007\r" +
	"kg    0,01142 ii,006\rkg    0,01196 ii,015\rkg    0,01215 ii,007\rkg    0,01221 jj,000\r"

// openNames has names of one and two words, and a line without a weight.
const openNames = "P=OAT 125        0,0000 kg\rP=PHAS           0,8036 kg\rP=OAT            0,0076 kg\rP=HORD 36        UL kg\rP=VICIA 7        0,0057 kg\rP=PHAS 47        0,1726 kg\rP=LENS 23        0,0000 kg\r"

// gluedUnits prints marks against the units of two sizes.
const gluedUnits = ">Xg         58547\r\n>Xmg        46.23\r\n>Xg        401111\r\n>Xg         13417\r\n>Xg         92047\r\n>Xmg       369.21\r\n>Qg           683\r\n>Qg          1395\r\n>Qg          1463\r\n"

// groups has blanks between the digits, and lines that are no weights.
const groups = "run   45 780.6 g  \r\nrest  55 830.0 g  \r\nrest  55 830.0 g  \r\nrest  55 830.0 g  \r\nrun   499 803.4 g  \r\nrun   554 364.0 g  \r\n" +
	"V 1.03 / 2019\r\nrun   569 277.2 g  \r\nMax 220 g  d=0.1 mg\r\nrest  590 737.6 g  \r\n"

var ownSamples = []struct {
	name, sample string
	hints        []string
	then, reads  string // a further frame, and what it must be read as
	why          string // a part of Why, where there must be no candidate
}{
	{name: "plain", sample: "   12.3450 g\r\n    0.0000 g\r\n   -3.1000 g\r\n", then: "  112.0310 g\r\n", reads: "112.0310 g"},
	{name: "a lost digit is refused", sample: "   12.3450 g\r\n    0.0000 g\r\n   -3.1000 g\r\n", then: "    12.345 g\r\n", reads: "unread"},
	{name: "a cut line is refused", sample: "   12.3450 g\r\n    0.0000 g\r\n   -3.1000 g\r\n", then: ".3450 g\r\n", reads: "unread"},
	{name: "marks beside loads that move", sample: settling, then: "=    1.0000 g\r\n", reads: "1.0000 g stable"},
	{name: "an unknown mark is refused", sample: settling, then: "!    1.0000 g\r\n", reads: "unread"},
	{name: "words of the trade", sample: "netto  12,5 kg ruhig\nbrutto  112,5 kg unruhig\nnetto  0,5 kg ruhig\n", then: "brutto  7,0 kg ruhig\n", reads: "7.0 kg gross stable"},
	{name: "comma or thousands", sample: "  1,234 g\r\n  5,678 g\r\n  9,012 g\r\n", why: "the sign may begin the decimals"},
	{name: "comma told", sample: "  1,234 g\r\n  5,678 g\r\n  9,012 g\r\n", hints: []string{"display=1,234 g"}, then: "  1,235 g\r\n", reads: "1.235 g"},
	{name: "thousands told", sample: "  1,234 g\r\n  5,678 g\r\n  9,012 g\r\n", hints: []string{"decimal=point"}, then: "  1,235 g\r\n", reads: "1235 g"},
	{name: "two numbers", sample: " 12.345 g  50.001 g\r\n 13.111 g  60.222 g\r\n 14.045 g  70.001 g\r\n", why: "2 numbers that could be the weight"},
	{name: "statistics behind the weights", sample: " 1.   12.482 g\r\n 2.   12.483 g\r\n 3.    7.905 g\r\n 4.  103.220 g\r\nmean   33.522 g\r\nmin     7.905 g\r\nmax   103.220 g\r\n",
		then: "min     7.905 g\r\n", reads: "unread"},
	{name: "a preset tare beside the weight", sample: " 12.482 g  PT   5.310 g\r\n  7.905 g  PT   5.310 g\r\n103.220 g  PT   5.310 g\r\n",
		hints: []string{"display=12.482 g"}, then: "  3.001 g  PT   5.310 g\r\n", reads: "3.001 g"},
	{name: "a unit apart", sample: "id=north-2;w=12.482;u=g;ok=y\r\nid=north-2;w=7.905;u=g;ok=y\r\nid=north-2;w=103.220;u=g;ok=y\r\n",
		then: "id=north-2;w=3.001;u=g;ok=y\r\n", reads: "3.001 g | north-2"},
	{name: "a date without marks", sample: "261128 091100   12.482 g\r\n261128 091223    7.905 g\r\n261128 091305  103.220 g\r\n",
		then: "261129 100000    3.001 g\r\n", reads: "3.001 g"},
	{name: "a row of H", sample: "    12.482 g\r\n     7.905 g\r\n     HHHHH g\r\n   103.220 g\r\n    55.071 g\r\n", then: "     HHHHH g\r\n", reads: "over g"},
	{name: "a counter and then statistics", sample: "0001   12.482 g\r\n0002    7.905 g\r\n0003  103.220 g\r\n0004   55.071 g\r\n", then: "Mean   44.670 g\r\n", reads: "unread"},
	{name: "two numbers, one shown", sample: " 12.345 g  50.001 g\r\n 13.111 g  60.222 g\r\n 14.045 g  70.001 g\r\n",
		hints: []string{"display=60.222 g"}, then: " 14.045 g  80.001 g\r\n", reads: "80.001 g"},
	{name: "blanks may group", sample: "  1 234.5 g\r\n  5 678.9 g\r\n  9 012.3 g\r\n", why: "may be one number, or two"},
	{name: "no unit", sample: " 12.345\r\n 13.111\r\n 14.045\r\n", why: "no unit"},
	{name: "no unit, told", sample: " 12.345\r\n 13.111\r\n 14.045\r\n", hints: []string{"unit=ug"}, then: " 14.046\r\n", reads: "14.046 ug"},
	{name: "ounces", sample: " 12.345 oz\r\n 13.111 oz\r\n 14.045 oz\r\n", why: "different things to different people"},
	{name: "ounces told", sample: " 12.345 oz\r\n 13.111 oz\r\n 14.045 oz\r\n", hints: []string{"unit:oz=[oz_tr]"}, then: " 14.046 oz\r\n", reads: "14.046 [oz_tr]"},
	{name: "a mark told", sample: "R   12.345 g\r\nR   13.111 g\r\nV   14.045 g\r\nV   15.045 g\r\n", hints: []string{"word:R=stable"}, then: "V   14.046 g\r\n", reads: "14.046 g"},
	{name: "both marks told", sample: "R   12.345 g\r\nR   13.111 g\r\nV   14.045 g\r\nV   15.045 g\r\n", hints: []string{"word:R=stable", "word:V=unstable"}, then: "V   14.046 g\r\n", reads: "14.046 g unstable"},
	{name: "a mark and a blank told", sample: "R   12.345 g\r\nR   13.111 g\r\n    14.045 g\r\n    15.045 g\r\n", hints: []string{"word:R=stable"}, then: "    14.046 g\r\n", reads: "14.046 g unstable"},
	{name: "settled told of one mark", sample: "R   12.345 g\r\nR   13.111 g\r\nV   14.045 g\r\nV   15.045 g\r\n", hints: []string{"settled:3=yes"}, then: "V   14.046 g\r\n", reads: "14.046 g"},
	{name: "settled told of both alike", sample: "R   12.345 g\r\nR   13.111 g\r\nV   14.045 g\r\nV   15.045 g\r\n", hints: []string{"settled:3=yes", "settled:1=yes"}, then: "V   14.046 g\r\n", reads: "14.046 g"},
	{name: "settled told", sample: "R   12.345 g\r\nR   13.111 g\r\nV   14.045 g\r\nV   15.045 g\r\n", hints: []string{"settled:3=yes", "settled:1=no"}, then: "R   14.046 g\r\n", reads: "14.046 g unstable"},
	{name: "a tare that is printed again and again", sample: tares, then: "W3   1.000 g\r\n", reads: "1.000 g"},
	{name: "gross and net beside each other", sample: "G 78.721 g N 26.260 g\r\nG 80.100 g N 27.639 g\r\nG 52.461 g N 0.000 g\r\n", then: "G 80.000 g N 27.000 g\r\n", reads: "27.000 g net"},
	{name: "net and gross beside each other", sample: "Net 26.260 g Gross 78.721 g\r\nNet 27.639 g Gross 80.100 g\r\nNet 0.000 g Gross 52.461 g\r\n", then: "Net 27.000 g Gross 80.000 g\r\n", reads: "27.000 g net"},
	{name: "a mark that nobody knows beside N", sample: "Q 78.721 g N 26.260 g\r\nQ 80.100 g N 27.639 g\r\nQ 52.461 g N 0.000 g\r\n", why: "2 numbers that could be the weight"},
	{name: "a word that nobody knows beside net", sample: "sum 78.721 g net 26.260 g\r\nsum 80.100 g net 27.639 g\r\nsum 52.461 g net 0.000 g\r\n", why: "2 numbers that could be the weight"},
	{name: "date kept as printed", sample: "05.06.2026 12.345 g\r\n05.06.2026 13.111 g\r\n05.06.2026 14.045 g\r\n", then: "05.06.2026 1.000 g\r\n", reads: "1.000 g | 05.06.2026"},
	{name: "date told", sample: "05.06.2026 12.345 g\r\n05.06.2026 13.111 g\r\n05.06.2026 14.045 g\r\n", hints: []string{"date=day.month.year"}, then: "05.06.2026 1.000 g\r\n", reads: "1.000 g | 2026-06-05"},
	{name: "date shown by a day above twelve", sample: "25.06.2026 12.345 g\r\n25.06.2026 13.111 g\r\n26.06.2026 14.045 g\r\n", then: "05.07.2026 1.000 g\r\n", reads: "1.000 g | 2026-07-05"},
	{name: "labels", sample: "Lot RYE 12;   12.345 g\r\nLot OAT 9;   13.111 g\r\nLot OAT 10;    4.045 g\r\n", then: "Lot RYE 4;    4.000 g\r\n", reads: "4.000 g | RYE 4"},
	{name: "a word for over", sample: "   12.3450 g\r\n   12.3450 g\r\n    0.0000 g\r\n   -3.1000 g\r\n   zu schwer\r\n", then: "   zu schwer\r\n", reads: "over"},
	{name: "a word for over told", sample: "   12.3450 g\r\n   12.3450 g\r\n    0.0000 g\r\n   -3.1000 g\r\n ========= g\r\n", hints: []string{"word:=========" + "=over"}, then: " ========= g\r\n", reads: "over g"},
	{name: "a check", sample: checked("  12.345 g ", "   0.001 g ", "   7.700 g ", "  81.110 g "), then: checked("  12.346 g "), reads: "12.346 g"},
	{name: "a wrong check", sample: checked("  12.345 g ", "   0.001 g ", "   7.700 g ", "  81.110 g "), then: "  12.346 g 0B\r\n", reads: "unread"},
	{name: "a word told that also stands in front", sample: "@   12.345 g A\r\n@   13.111 g A\r\n@   14.045 g @\r\n@   15.045 g @\r\n", hints: []string{"word:@=unstable", "word:A=stable"},
		then: "@   14.046 g A\r\n", reads: "14.046 g stable"},
	{name: "groups beside a word", sample: "OK   11 110.0  g\r\nOK   11 110.0  g\r\n--   13 442.3  g\r\n--   22 030.4  g\r\nOK   24 893.0  g\r\n", why: "may be one number, or two"},
	{name: "groups beside a word, and a number without", sample: "OK        0.0  g\r\nOK        0.0  g\r\n--   13 442.3  g\r\n--   22 030.4  g\r\nOK   24 893.0  g\r\n",
		then: "--   13 443.3  g\r\n", reads: "13443.3 g"},
	{name: "a whole weight behind a name", sample: "0001 Lot B-12 8450     mg\r\n0002 Lot B-12 1060     mg\r\n0003 Lot B-12 43400    mg\r\n0004 Lot B-12 680      mg\r\n", hints: []string{"unit=mg"},
		then: "0005 Lot B-12 46940    mg\r\n", reads: "46940 mg | B-12"},
	{name: "a counter alone", sample: "0001 ok\r\n0002 ok\r\n0003 ok\r\n0004 ok\r\n0005 ok\r\n", hints: []string{"unit=mg"}, why: "as a counter does"},
	{name: "a month in front", sample: "Okt-21-26;TRIF 11;   0.5;g\r\nOkt-21-26;BETA 3 ;   9.0;g\r\nOkt-21-26;LENS 12; 485.0;g\r\n", then: "Okt-22-26;LENS 14; 486.0;g\r\n", reads: "486.0 g | LENS 14"},
	{name: "a name filled up with blanks", sample: padded, then: "@Lot OAT 103          1.5000g\r\n", reads: "1.5000 g | OAT 103"},
	{name: "a name before weights that may end in one column", sample: "Lot: RYE 115          0.151 g\r\nLot: VICIA 83         0.714 g\r\nLot: OAT 5            2.036 g\r\n",
		then: "Lot: HORD 28         24.164 g\r\n", reads: "24.164 g | HORD 28"},
	{name: "a unit in place of the point", sample: "-0g0082\n-0g0082\n-0g0081\n21g7298\n15g1755\n8g3537\n1g7740\n1g7740\n0g0994\n0g0994\n", hints: []string{"unit=g"},
		why: "the unit may stand for the decimal sign"},
	{name: "a letter before grams", sample: "n Kg      0.0\r\nn Kg   6002.1\r\nn Kg     14.9\r\n", why: "different things to different people (kilogram or gram)"},
	{name: "a letter before grams, shown as grams", sample: "n Kg      0.0\r\nn Kg   6002.1\r\nn Kg     14.9\r\n", hints: []string{"display=6002.1 g"}, then: "n Kg     15.0\r\n", reads: "15.0 g"},
	{name: "a letter before grams, shown as it is", sample: "n Kg      0.0\r\nn Kg   6002.1\r\nn Kg     14.9\r\n", hints: []string{"display=6002.1 Kg"}, then: "n Kg     15.0\r\n", reads: "15.0 kg"},
	{name: "marks of three kinds", sample: threeKinds, then: "W1 \"      1.000  g\r\n", reads: "1.000 g"},
	{name: "times with points", sample: "0001;09.07.49;      +230   g\r\n0002;09.10.09;       +15   g\r\n0003;09.11.30;      +119   g\r\n", then: "0004;09.12.40;      +120   g\r\n", reads: "+120 g"},
	{name: "digits and marks in one place", sample: turns, then: "     2.46 g    <\r\n", reads: "2.46 g"},
	{name: "a digit behind the unit of whole numbers", sample: " 01323 g  8\r\n 01804 g  8\r\n 02496 g  <\r\n 02496 g  <\r\n 00771 g  0\r\n 00443 g  0\r\n 00367 g  4\r\n", then: " 00023 g  8\r\n", reads: "00023 g"},
	{name: "a mark behind a name", sample: "17/04/26,   1144.5+, g  , Balance:B-12#\r\n17/04/26,   4289.0+, g  , Balance:B-12#\r\n17/04/26,     72.5+, g  , Balance:B-12#\r\n",
		then: "17/04/26,     72.6+, g  , Balance:B-12#\r\n", reads: "+72.6 g | 17/04/26 | B-12"},
	{name: "a check behind a word", sample: "       0.00g hold76\r\n       0.00g hold76\r\n      56.67g sway77\r\n      91.10g sway71\r\n      95.01g hold7D\r\n", then: "       0.01g hold77\r\n", reads: "0.01 g"},
	{name: "a byte of noise before some lines", sample: noisy, then: "P1  0.0012  g m\r\n", reads: "0.0012 g"},
	{name: "a counter that a comma parts from the weight", sample: "001,2303g\r\n001,2571g\r\n001,2808g\r\n002,40021g\r\n002,49324g\r\n003,20420g\r\n003,9386g\r\n", why: "a running number and a weight"},
	{name: "a small sum in decimal digits", sample: smallSums, then: "kg    0,63173 ii,000\r", reads: "0.63173 kg unstable"},
	{name: "a counter, a unit and whole numbers", sample: "001\tg   \t\x94verlast\tfix\n001\tg   \t\x94verlast\tfix\n002\tg   \t41\tfix\n002\tg   \t49\tfix\n002\tg   \t57\tfix\n003\tg   \t0\tfix\n003\tg   \t-0\tfix\n", then: "005\tg   \t213\tfix\n", reads: "213 g"},
	{name: "letters that change with the weight", sample: "$ g  +0.3558,N\r\n& g  +0.5011,B\r\n& g  +0.5011,B\r\n", then: "& g  +0.5063,N\r\n", reads: "unread"},
	{name: "names that end before an overload", sample: openNames, then: "P=OAT 12         0,6289 kg\r", reads: "0.6289 kg"},
	{name: "marks against several units", sample: gluedUnits, hints: []string{"display=92047 g"}, why: "no one unit is that of all lines"},
	{name: "a label that ends with a digit before a time", sample: "A5:09:22 +  0.000 g\r\nA5:09:23 +  0.314 g\r\nA5:09:26 + 10.573 g\r\n", then: "A5:09:30 + 14.763 g\r\n", reads: "+14.763 g"},
	{name: "groups behind a place that few lines have", sample: groups, why: "may be one number, or two"},
	{name: "a check against the digits", sample: "ozt      48.19253\r\nozt     102.5355B\r\nozt     102.5355B\r\n", why: "may be a part of a longer number"},
	{name: "an arrow in front", sample: "->=mira ;+ 0.0000;g\r\n->=mira ;- 0.0644;g\r\n->=mira ;- 0.0644;g\r\n->=mira ;+ 0.0038;g\r\n", then: "->=mira ;- 0.0645;g\r\n", reads: "-0.0645 g"},
	{name: "a longer weight against a name", sample: padded, then: "@Lot OAT 103         11.5000g\r\n", reads: "unread"},
	{name: "net of three", sample: block(), then: "bank\r\nall 112.5 g\r\ntray 100.0 g\r\nseed 12.5 g\r\n", reads: "12.5 g"},
}

// checked prints lines with their exclusive or in hexadecimal digits.
func checked(lines ...string) (out string) {
	for _, l := range lines {
		out += fmt.Sprintf("%s%02X\r\n", l, sum.Compute(sum.XOR, []byte(l)))
	}
	return out
}

// block makes print blocks in which all = tray + seed, and the tray stays the same.
func block() string {
	var out strings.Builder
	for _, n := range []float64{12.5, 30.1, 7.7, 8.9, 55.2} {
		fmt.Fprintf(&out, "bank\r\nall %.1f g\r\ntray 100.0 g\r\nseed %.1f g\r\n", 100+n, n)
	}
	return out.String()
}

// TestFromParity refuses digits with a parity in their eighth bit, also where the unit is told.
func TestFromParity(t *testing.T) {
	sample := "0.\xb4\xb8\xa0\xe7\n0.6\xb7\xa0\xe7\n0.6\xb7\xa0\xe7\n0.\xb2\xb4\xa0\xe7\n0.09\xa0\xe7\n0.06\xa0\xe7\n0.06\xa0\xe7\n"
	r, err := From(Sample{Bytes: []byte(sample)}, Answers{Unit: "g"})
	if err != nil || len(r.Candidates) > 0 || !strings.Contains(r.Why, "seven data bits") {
		t.Errorf("%v, why %q\n%s", err, r.Why, show(r))
	}
	if parityAmong([]byte("12.5\xb5g\n13.5\xb5g\n14.5\xb0\n")) {
		t.Error("micrograms and degrees of a code page are taken for digits with a parity")
	}
}

// TestFromPieces does not take the unit that a display showed of counted pieces for that of all lines.
func TestFromPieces(t *testing.T) {
	sample := "wait PCS +        98\r\nwait PCS +       131\r\nstillPCS +       153\r\nstillPCS +       153\r\nwait g   +   1.25681\r\nwait g   +   2.04570\r\n"
	for _, hint := range []string{"display:3=153 PCS", "unit=g"} {
		var a Answers
		if err := a.Hint(hint); err != nil {
			t.Fatal(err)
		}
		if r, err := From(Sample{Bytes: []byte(sample)}, a); err == nil && len(r.Candidates) > 0 {
			if got := readOne(t, r.Candidates[0].Layout, "wait g   +   2.36868\r\n"); got != "unread" && !strings.HasPrefix(got, "+2.36868 g") {
				t.Errorf("%s: read as %q\n%s", hint, got, show(r))
			}
			if got := readOne(t, r.Candidates[0].Layout, "wait PCS +       143\r\n"); got != "unread" && !strings.HasPrefix(got, "+143 PCS") {
				t.Errorf("%s: read as %q\n%s", hint, got, show(r))
			}
		}
	}
}

// TestFromBeyond takes no number for a weight in lines that say that there is none.
func TestFromBeyond(t *testing.T) {
	r, err := From(Sample{Bytes: []byte("+ 0.00 g  4*00558\r\noverload g  8*01286\r\noverload g  8*01286\r\n")}, Answers{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range r.Candidates {
		if got := readOne(t, c.Layout, "overload g  8*01286\r\n"); got != "unread" && !strings.HasPrefix(got, "over") {
			t.Errorf("an overload is read as %q\n%s", got, c.Layout)
		}
	}
}

// TestFromFractions refuses halves and quarters, also where all lines show the same.
func TestFromFractions(t *testing.T) {
	r, err := From(Sample{Bytes: []byte("0 1/2 g\n1 1/2 g\n2 1/2 g\n3 1/2 g\n646 g\n")}, Answers{})
	if err != nil || len(r.Candidates) > 0 || !strings.Contains(r.Why, "a part of a fraction") {
		t.Errorf("%v, why %q\n%s", err, r.Why, show(r))
	}
}

// TestFromEqualDates shows both readings of a date that may be the fifth of June or the sixth of May.
func TestFromEqualDates(t *testing.T) {
	r, err := From(Sample{Bytes: []byte("05.06.2026 12.345 g\r\n05.06.2026 13.111 g\r\n05.06.2026 14.045 g\r\n")}, Answers{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Candidates) != 3 || !r.Candidates[1].Equal || !r.Candidates[2].Equal || r.Candidates[0].Equal {
		t.Fatalf("%d candidates", len(r.Candidates))
	}
	both := r.Candidates[1].Differs + r.Candidates[2].Differs
	if !strings.Contains(both, "2026-06-05") || !strings.Contains(both, "2026-05-06") {
		t.Errorf("they differ in %s", both)
	}
}

// TestAnswersContradict refuses answers that the sample contradicts.
func TestAnswersContradict(t *testing.T) {
	sample := Sample{Bytes: []byte("   12.3450 g\r\n    0.0000 g\r\n   -3.1000 g\r\n")}
	for hint, want := range map[string]string{
		"display=99.0000 g":   "not as the answers say",
		"display:1=99.0000 g": "not as the answers say",
		"number=2":            "number 2 of the line",
	} {
		var a Answers
		if err := a.Hint(hint); err != nil {
			t.Fatal(err)
		}
		r, err := From(sample, a)
		if err == nil && len(r.Candidates) == 0 {
			err = fmt.Errorf("%s", r.Why)
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", hint, err)
		}
	}
}

// TestAnswersHint takes hints and refuses what makes no sense, leaving the answers as they were.
func TestAnswersHint(t *testing.T) {
	var a Answers
	for _, h := range []string{"display=12.3450 g", "display:3=-0,5 kg", "settled:3=yes", "word:R=stable", "word:==unstable", "unit=g", "unit:oz=[oz_av]",
		"date=month/day/year", "decimal=comma", "check=xor", "number=2", "text:1=person"} {
		if err := a.Hint(h); err != nil {
			t.Errorf("%s: %v", h, err)
		}
	}
	if a.Words["="] != "unstable" || a.Words["oz"] != "[oz_av]" || len(a.Display) != 2 || !a.Settled[0].Is {
		t.Errorf("%+v", a)
	}
	before := fmt.Sprintf("%+v", a)
	for _, h := range []string{"display", "display=twelve", "display=1.2.3,4 g", "settled:3=perhaps", "settled:x=yes", "word:R=blue", "unit=stones", "date=day.day.year", "decimal=semicolon",
		"check=md5", "number=none", "text:0=sample", "text:1=colour", "colour=red", "=5"} {
		if err := a.Hint(h); err == nil {
			t.Errorf("%s is taken", h)
		}
	}
	if after := fmt.Sprintf("%+v", a); after != before {
		t.Errorf("refused hints changed the answers:\n%s\n%s", before, after)
	}
}

// TestAnswersFile reads a file of answers and tells its mistakes.
func TestAnswersFile(t *testing.T) {
	a, err := ParseAnswers("answers.yaml", []byte("display:\n  - shows: 12.3450 g\n    line: 3\nwords: {R: stable, \"~\": unstable}\ndate: day.month.year\nunit: kg\n"))
	if err != nil || a.Display[0].Line != 3 || a.Words["~"] != "unstable" {
		t.Fatalf("%+v, %v", a, err)
	}
	if _, err := ParseAnswers("answers.yaml", []byte("words: {R: blue}\n")); err == nil || !strings.Contains(err.Error(), "blue") {
		t.Errorf("%v", err)
	}
	if _, err := ParseAnswers("answers.yaml", []byte("colour: red\n")); err == nil || !strings.Contains(err.Error(), "colour") {
		t.Errorf("%v", err)
	}
}

// TestFromAccounts accounts for every frame: it fits, or a sentence says why not.
func TestFromAccounts(t *testing.T) {
	sample := "45 g\r\nSEED BALANCE 7\r\n   12.3450 g\r\n    0.0000 g\r\n   -3.1000 g\r\nErr 12\r\n    1.0000 g\r\n   -4.1000 g\r\n"
	r, err := From(Sample{Bytes: []byte(sample)}, Answers{})
	if err != nil || len(r.Candidates) == 0 {
		t.Fatal(err, r.Why)
	}
	if len(r.Frames) != 8 || r.Candidates[0].Fits != 5 || r.Candidates[0].Of != 8 || len(r.Candidates[0].Pieces) != 8 {
		t.Fatalf("%d frames, %d of %d fit", len(r.Frames), r.Candidates[0].Fits, r.Candidates[0].Of)
	}
	for _, f := range r.Frames {
		if f.Fits == (f.Why != "") || f.Fits != (f.Reads != "") {
			t.Errorf("frame %d, %s: fits %v, why %q, reads %q", f.Number, f.Text, f.Fits, f.Why, f.Reads)
		}
		if !bytes.Equal(f.Bytes, []byte(sample)[f.Offset:f.Offset+len(f.Bytes)]) {
			t.Errorf("frame %d is not what stands at %d", f.Number, f.Offset)
		}
	}
	if !r.Frames[0].Opening || r.Frames[0].Fits {
		t.Error("the rest of a line is read as a weight")
	}
}

// TestFromBounds takes little and much.
func TestFromBounds(t *testing.T) {
	if _, err := From(Sample{}, Answers{}); err != ErrNoBytes {
		t.Error(err)
	}
	r, err := From(Sample{Bytes: []byte(" 1.0 g\r\n")}, Answers{})
	if err != nil || len(r.Candidates) > 0 || !strings.Contains(r.Why, "at least 3") {
		t.Errorf("%v %q", err, r.Why)
	}
	big := bytes.Repeat([]byte("    1.0000 g\r\n   12.0001 g\r\n"), 60000)
	r, err = From(Sample{Bytes: big}, Answers{})
	if err != nil || len(r.Candidates) == 0 || r.LeftOut == "" || len(r.Frames) > MostFrames {
		t.Errorf("%v, %d candidates, left out %q, %d frames", err, len(r.Candidates), r.LeftOut, len(r.Frames))
	}
}

// TestAnswersOfAFile: the example that people copy, and what the display showed in each of its forms.
func TestAnswersOfAFile(t *testing.T) {
	src, err := os.ReadFile("../../configs/learn-answers.yaml")
	if err != nil {
		t.Fatal(err)
	}
	a, err := ParseAnswers("learn-answers.yaml", src)
	if err != nil {
		t.Fatal(err)
	}
	want := []Display{{Shows: "12.3450 g"}, {Shows: "-0.0012 g", Line: 4}}
	if !slices.Equal(a.Display, want) || len(a.Settled) != 2 || len(a.Words) != 4 || a.Texts["1"] != "sample" || a.Number != 1 {
		t.Errorf("%+v", a)
	}
	for _, wrong := range []string{"display: [soon]\n", "display: [[12 g]]\n", "display: {shown: 12 g}\n", "display: [{shows: 12 g, line: -1}]\n"} {
		if _, err := ParseAnswers("wrong.yaml", []byte(wrong)); err == nil {
			t.Errorf("%q is taken", wrong)
		}
	}
}
