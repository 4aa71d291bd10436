package learn

import (
	"strings"
	"testing"
)

// TestPrintsThatTheSampleHintsAt learns from a few lines and reads one that the sample shows the shape of, and not the value:
// another mark in its place, a longer number, a negative one.
func TestPrintsThatTheSampleHintsAt(t *testing.T) {
	for _, c := range []struct{ name, sample, hint, then, reads string }{
		{"a colon and a stroke are two marks of one place",
			"|g 223.616\n:g 360.670\n:g 360.670\n|g 497.647\n:g 652.110\n:g 652.111\n", "", "|g 74.838\n", "74.838 g"},
		{"a stroke among words", "Tare # 38.64 kg\nTare # 38.64 kg\nBrut : -.39 kg\nBrut # -.45 kg\nBrut # -.45 kg\n", "", "Brut : 7.39 kg\n", "7.39 kg gross"},
		{"a mark that one line shows", "W:      0.0000 g\nW:      0.0001 g\nW:      0.0000 g\nW:?   256.8616 g\nW:    535.1282 g\n", "", "W:?    96.7513 g\n", "96.7513 g"},
		{"a mark that one line lacks", "     1.110 g\no    1.404 g\no    1.404 g\no   21.122 g\no    1.164 g\n", "", "     0.884 g\n", "0.884 g"},
		{"two dashes are no minus", "<OK  000.000g]\n<OK  000.000g]\n<--  000.139g]\n<OK  000.169g]\n", "", "<--  000.967g]\n", "000.967 g"},
		{"a mark against the digits, or a blank", "S0,016+ kg  \nS0,016+ kg  \n 0,012+ kg  \nS1,251+ kg  \n 0,819+ kg  \n", "0.012 kg", " 2,128+ kg  \n", "+2.128 kg"},
		{"last digits that a display proves", "+0.0000 g\n-0.0000 g\n+1.6000 g\n+1.3420 g\n+0.0451 g\n+0.0361 g\n", "1.3420 g", "+0.7777 g\n", "+0.7777 g"},
		{"digits before a minus that stands behind", "   0.000  g   ?\n   0.110  g    \n   0.110  g    \n   0.400- g   ?\n   0.470  g   ?\n   0.510  g    \n", "", "  15.441  g    \n", "15.441 g"},
		{"a person that a block shows alone", "bank\nOperador mira\nNeto 0.00 g\n\nbank\nOperador mira\nNeto 1.25 g\n\nbank\nOperador mira\nNeto 7.25 g\n\n", "",
			"bank\nOperador theo\nNeto 9.12 g\n\n", "9.12 g net"},
		{"a text behind a code", "bank\nA2         AB\nX3         0.00 g\n\nbank\nA2         AB\nX3         1.25 g\n\nbank\nA2         AB\nX3         7.25 g\n\n", "",
			"bank\nA2         CD\nX3         9.12 g\n\n", "9.12 g"},
		{"a block that begins with a person", "User: AB\nWt: 0.00 g\n=====\n\nUser: AB\nWt: 1.25 g\n=====\n\nUser: AB\nWt: 7.25 g\n=====\n\n", "",
			"User: CD\nWt: 9.12 g\n=====\n\n", "9.12 g"},
		{"a block that ends with a sign", "bank\nWt = + 0.00 g\nbank\nWt = + 1.25 g\nbank\nWt = + 7.25 g\n", "",
			"bank\nWt = - 9.12 g\n", "-9.12 g"},
		{"a person that all lines show", "07:21:23  KB: mira   0.5445 kg\n07:23:11  KB: mira   1.2525 kg\n07:24:34  KB: mira   0.0200 kg\n07:25:22  KB: mira   0.0200 kg\n", "",
			"07:41:57  KB: jo     0.0110 kg\n", "0.0110 kg"},
		{"a number behind a code", "26-01-19, 16:42:08, A2 1001 ,  0.0000 mg\n26-01-19, 16:44:20, A2 1001 , -0.0077 mg\n26-01-19, 16:47:08, A2 1001 ,  0.0591 mg\n", "",
			"26-01-19, 17:19:05, A2 1002 ,  0.7638 mg\n", "0.7638 mg"},
		{"a name before the column of the sign", "17:02 Sample: ALL-2026-0013   +     0.00 kg\n17:05 Sample: BETA-2026-0018  +    23.27 kg\n17:09 Sample: BETA-2026-0041  +   275.91 kg\n", "",
			"17:27 Sample: VICIA-2026-0084 -     1.45 kg\n", "-1.45 kg"},
		{"a name that fills its column", "Probe VICIA-2026-0008;+0,8517;mg |\nProbe BETA-2026-0014 ;+0,4066;mg |\nProbe OAT-2026-0030  ;+0,0000;mg |\n", "",
			"Probe LINUM-2026-0068;+0,0188;mg |\n", "+0.0188 mg"},
		{"a shorter name at the end", "12:10 Campione:VICIA-2026-0017   116.88  mg  Operatore: mira\n12:16 Campione:BETA-2026-0024   2658.33  mg  Operatore: theo\n" +
			"12:18 Campione:LINUM-2026-0031    81.33  mg  Operatore: mira\n", "", "12:31 Campione:PHAS-2026-0071     -0.11  mg  Operatore: jo\n", "-0.11 mg"},
		{"a mark or a blank before a semicolon", "0.0000 g *;\n0.0000 g *;\n0.0045 g  ;\n0.0065 g  ;\n0.0095 g *;\n0.0095 g *;\n0.0100 g *;\n0.1120 g  ;\n0.1375 g  ;\n0.1440 g *;\n", "",
			"12.0330 g  ;\n", "12.0330 g unstable"},
		{"a name longer than all shown, before a comma", "=>: ALL-2026-0009  , .00000 g\n=>: ALL-2026-0009  , .00100 g\n=>: PHAS-2026-0033 , .08939 g\n=>: OAT-2026-0034  , .04040 g\n", "",
			"=>: LINUM-2026-0038, .00133 g\n", ".00133 g"},
		{"names with a stroke", "=>=TRIF/72             53.80 g .\n=>=TRIF/72             82.70 g .\n=>=RYE/37               0.40 g .\n=>=PHAS/79              1.40 g .\n=>=PHAS/79              2.40 g .\n" +
			"=>=LINUM/24           423.80 g .\n=>=LENS/40             -0.40 g .\n=>=ALL/10               2.40 g .\n", "", "=>=PHAS/94              7.10 g .\n", "7.10 g"},
		{"a number behind a code of a block", "A4 2026.07.06\nA2 1001\n\nW 0.023 g\nA4 2026.07.06\nA2 1001\n\nW 4.815 g\nA4 2026.07.06\nA2 1001\n\nW 4.915 g\n", "",
			"A4 2026.07.06\nA2 1017\n\nW 3.576 g\n", "3.576 g"},
		{"a mark beside the word for too much alone", "X   0.01079 g\nX   0.82103 g\nQ        OL g\nX   0.09735 g\nX   0.00484 g\n", "", "Q   0.04546 g\n", "0.04546 g"},
		{"another word beside the word for too much", "STABLE; +0.000; mg  ; b\nSTABLE; +0.824; mg  ; b\nSTABLE; +9.824; mg  ; b\nUNSTABLE; OVERLOAD; mg  ; b\n", "",
			"UNSTABLE; +0.546; mg  ; b\n", "+0.546 mg unstable"},
		{"a width by chance of a few lines", "?  271 g \n*  314 g \n*  314 g \n*  315 g \n?  327 g \n?  333 g \n*  335 g \n*  335 g \n", "", "?  2624 g \n", "2624 g unstable"},
		{"a person's number in a block", "bank\nOperator 1017\nNet 0.25 g\n\nbank\nOperator 1017\nNet 1.25 g\n\nbank\nOperator 1017\nNet 7.25 g\n\n", "",
			"bank\nOperator 1002\nNet 9.12 g\n\n", "9.12 g net"},
	} {
		var a Answers
		if c.hint != "" {
			if err := a.Hint("display=" + c.hint); err != nil {
				t.Fatal(err)
			}
		}
		r, err := From(Sample{Bytes: []byte(c.sample)}, a)
		if err != nil || len(r.Candidates) == 0 {
			t.Errorf("%s: no candidate: %v %s", c.name, err, r.Why)
			continue
		}
		if got := readOne(t, r.Candidates[0].Layout, c.then); !strings.HasPrefix(got+" ", c.reads+" ") {
			t.Errorf("%s: %q is read as %q, and should be as %q\n%s", c.name, c.then, got, c.reads, r.Candidates[0].Layout)
		}
	}
}

// TestMinusWordBehindALabel refuses weights whose minus is a word, also where the word stands behind another.
func TestMinusWordBehindALabel(t *testing.T) {
	sample := "Wt neg 0.600 kg\nWt neg 0.060 kg\nWt neg 0.830 kg\nWt 1.550 kg\nWt 1.570 kg\nWt 25.740 kg\nWt 3.280 kg\n"
	r, err := From(Sample{Bytes: []byte(sample)}, Answers{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Candidates) > 0 {
		if got := readOne(t, r.Candidates[0].Layout, "Wt neg 11.680 kg\n"); got != "unread" {
			t.Errorf("a minus that is a word is lost: %s\n%s", got, show(r))
		}
	}
}

// TestTwoPrintsAtOnce refuses two prints that a line end the sample does not show has joined, also where numbers end the line.
func TestTwoPrintsAtOnce(t *testing.T) {
	r, err := From(Sample{Bytes: []byte("still\t0.00 g \t001\r\nwait\t4.31 g \t002\r\nwait\t4.75 g \t002\r\nstill\t4.83 g \t002\r\nwait\t3.90 g \t003\r\n")}, Answers{})
	if err != nil || len(r.Candidates) == 0 {
		t.Fatal(err, r.Why)
	}
	if got := readOne(t, r.Candidates[0].Layout, "wait\t0.07 g \t005\nwait\t0.06 g \t005\r\n"); got != "unread" {
		t.Errorf("two prints are read as one: %s\n%s", got, show(r))
	}
}
