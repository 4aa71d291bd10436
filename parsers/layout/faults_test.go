package layout_test

import (
	"strings"
	"testing"

	"weighpost/parsers/layout"
)

// TestFaults has one mistake each, and what is said of it: place, what, what is allowed.
func TestFaults(t *testing.T) {
	for _, c := range []struct{ name, src, want string }{
		{"no line", "about: x\n", "f:1:1: a layout has exactly one of line, lines and block, and this one has 0; allowed: line: \"{weight} {unit}\", for one"},
		{"line and block", "line: \"{weight} {unit}\"\nblock: [{line: \"{weight} {unit}\"}]\nframe: {block: {last: [x]}}\n", "f:1:1: a layout has exactly one of"},
		{"unknown key", "lin: x\n", `f:1:1: lin: unknown key "lin": did you mean "line"?`},
		{"unknown field", "line: \"{wt} {unit}\"\n", "f:1:7: line: {wt} at column 1 is no field; allowed: weight, unit,"},
		{"open brace", "line: \"{weight {unit}\"\n", "the { at column 1 is never closed; allowed: {field} or {field width}"},
		{"stray brace", "line: \"{weight}} {unit}\"\n", "a } at column 9 closes nothing"},
		{"width nought", "line: \"{weight 0} {unit}\"\n", "{weight 0} at column 1 has no proper width; allowed: one whole number of characters from 1 to 128"},
		{"width 010", "line: \"{weight 010} {unit}\"\n", "has no proper width"},
		{"width of a mark", "line: \"{from 3}{weight} {unit}\"\n", "has no proper width"},
		{"twice", "line: \"{weight} {weight} {unit}\"\n", "{weight} stands twice in one line"},
		{"no weight", "line: \"{unit}\"\n", "no line has {weight}"},
		{"no unit", "line: \"{weight}\"\n", "no line has {unit}, and a number without a unit is not a weighing; allowed: {unit} in the line, or unit: always: g"},
		{"a line without weight", "lines: [{line: \"{weight} {unit}\"}, {line: \"{sample}\"}]\n", "the line “{sample}” has no weight"},
		{"unit twice", "line: \"{weight} {unit}\"\nunit: {always: g}\n", "f:2:16: unit.always: a line has {unit}"},
		{"unknown unit", "line: \"{weight}\"\nunit: {always: gram}\n", `f:2:16: unit.always: "gram" is no unit; allowed: `},
		{"unknown unit in the table", "line: \"{weight} {unit}\"\nunit: {words: {oz: oz}}\n", `unit.words.oz: "oz" is no unit`},
		{"empty unit word", "line: \"{weight} {unit}\"\nunit: {words: {\"\": g}}\n", "a unit that is not printed has no word; allowed: missing: unstable"},
		{"missing unit alone", "line: \"{weight} {unit}\"\nunit: {missing_unit: g}\n", "a unit is given for a weight without unit, and such a weight is refused"},
		{"missing what", "line: \"{weight} {unit}\"\nunit: {missing: stable}\n", `unit.missing: "stable" is not known: did you mean "unstable"?; allowed: unstable`},
		{"no table", "line: \"{kind} {weight} {unit}\"\n", `{kind} needs a table of its words; allowed: kind: {"printed word": meaning}`},
		{"idle table", "line: \"{weight} {unit}\"\nkind: {N: net}\n", "f:2:1: kind: no line has {kind}, so the table is never used"},
		{"unknown meaning", "line: \"{kind} {weight} {unit}\"\nkind: {N: nett}\n", `f:2:11: kind.N: "nett" is no meaning that a word can have here; allowed: unknown, gross, net, tare, preset tare`},
		{"blanks in a word", "line: \"{kind} {weight} {unit}\"\nkind: {\" N\": net}\n", "has blanks around it"},
		{"unknown means", "line: \"{weight} {unit}\"\nmeans: {kind: nett, stability: calm}\n", `means.kind: "nett" is not known: did you mean "net"?; allowed: gross, net, tare, preset tare, unknown`},
		{"code page", "code_page: cp1252\nline: \"{weight} {unit}\"\n", `f:1:12: code_page: "cp1252" is none of what is known here; allowed: utf-8, latin-1, cp437, cp850`},
		{"literal not in the page", "code_page: latin-1\nline: \"{weight} {unit} €\"\n", `line: '€' is no character of the layout's code page`},
		{"word not in the page", "code_page: cp437\nline: \"{kind} {weight} {unit}\"\nkind: {Рожь: net}\n", `is no character of the code page cp437`},
		{"texts side by side", "line: \"{sample}{weight} {unit}\"\n", "{sample} at column 1 and {weight} stand side by side, and nothing says where the first one ends"},
		{"numbers side by side", "line: \"{weight}{count 4} {unit}\"\n", "{weight} at column 1 and {count} stand side by side"},
		{"unit and text", "line: \"{weight} {unit}{sample}\"\n", "{unit} at column 10 and {sample} stand side by side"},
		{"unit and word", "line: \"{weight} {unit}{kind 1}\"\nkind: {N: net}\n", "{unit} at column 10 and {kind} stand side by side"},
		{"number and its own sign", "line: \"{weight}.{unit}\"\n", "is followed by “.”, which could belong to its digits; allowed: a width"},
		{"number and word", "line: \"{weight}{kind} {unit}\"\nkind: {-N: net}\n", "is followed by the word “-N”, which could belong to its digits"},
		{"number and unit word", "line: \"{weight}{unit}\"\nunit: {words: {0g: g}}\n", "is followed by the word “0g”"},
		{"word and number", "line: \"{kind}{weight} {unit}\"\nkind: {N1: net}\n", "has the word “N1”, which could be taken for digits"},
		{"words of two ends", "line: \"{kind}{weight} {unit}\"\nkind: {N: net, NT: tare}\n", "has the words “N” and “NT”, and nothing says where it ends"},
		{"missing word and width", "line: \"{kind}{weight 9} {unit}\"\nkind: {N: net, \"\": gross}\n", "may be missing, and then nothing says where {weight} begins"},
		{"blank groups and text", "line: \"{weight} {sample} {unit}\"\nweight: {grouping: space}\n", "is grouped by blanks, and the field after the blank could be taken for more digits"},
		{"groups of the decimal sign", "line: \"{weight} {unit}\"\nweight: {decimal: comma, grouping: comma}\n", "the same character would group digits and begin the decimals"},
		{"decimal", "line: \"{weight} {unit}\"\nweight: {decimal: dot}\n", `f:2:19: weight.decimal: "dot" is none of what is known here; allowed: point, comma`},
		{"empty mark", "line: \"{weight} {unit}\"\nweight: {over: [\"\"]}\n", "a mark for a weight out of range is empty"},
		{"mark twice", "line: \"{weight} {unit}\"\nweight: {over: [X], under: [X]}\n", `"X" would mean both over and under`},
		{"date order", "line: \"{date} {weight} {unit}\"\ndate: {order: day.month.day}\n", `"day.month.day" is no order of a date`},
		{"date months", "line: \"{date} {weight} {unit}\"\ndate: {order: day.month.year, months: [JAN]}\n", "there are 1 names of months; allowed: twelve"},
		{"century", "line: \"{date} {weight} {unit}\"\ndate: {order: day.month.year, century: 20}\n", "date.century: 20 is no beginning of a century"},
		{"idle date", "line: \"{weight} {unit}\"\ndate: {order: day.month.year}\n", "no line has {date}, so the order is never used"},
		{"check unknown", "line: \"{weight} {unit}{check}\"\ncheck: {sum: crc-16}\n", `check.sum: "crc-16" is no kind of check; allowed: `},
		{"check not told", "line: \"{weight} {unit};{check}\"\n", "{check} needs to be told how it is made"},
		{"check nowhere", "line: \"{weight} {unit}\"\ncheck: {sum: xor}\n", "no line has {check}, so nothing would be checked"},
		{"check width", "line: \"{weight} {unit};{check 4}\"\ncheck: {sum: xor}\n", "{check 4} has the wrong width: this check is written in 2 characters"},
		{"check in one of two", "lines: [{line: \"{weight} {unit};{check}\"}, {line: \"{weight} {unit}\"}]\ncheck: {sum: xor}\n", "a damaged frame could pass as this one"},
		{"check in an optional line", "block: [{line: \"{weight} {unit};{check}\", optional: true}]\nframe: {block: {last: [x]}}\ncheck: {sum: xor}\n", "a line with {check} cannot be optional"},
		{"marks without check", "line: \"{from}{weight} {unit}{to}\"\n", "{from} and {to} say what a check covers, and there is no check"},
		{"marks in the wrong order", "line: \"{to}{weight} {unit}{from};{check}\"\ncheck: {sum: xor}\n", "{from} at column 20 comes too late"},
		{"mark after the check", "line: \"{weight} {unit};{check}{to}\"\ncheck: {sum: xor}\n", "{to} at column 24 comes too late"},
		{"check start without start", "line: \"{weight} {unit};{check}\"\ncheck: {sum: xor, covers_start: true}\n", "check.covers_start: the frame has no start bytes"},
		{"check after no end", "line: \"{weight} {unit}\"\ncheck: {sum: xor, after_end: true}\n", "check.after_end: the frame has no end bytes"},
		{"optional alternative", "lines: [{line: \"{weight} {unit}\", optional: true}]\n", "one of several lines cannot be optional"},
		{"block without end", "block: [{line: \"{weight} {unit}\"}]\n", "frame.block: nothing ends the block"},
		{"frame block, one line", "line: \"{weight} {unit}\"\nframe: {block: {last: [x]}}\n", "the frame is a print block, and the layout gives no lines for one"},
		{"frame length", "line: \"{weight} {unit}\"\nframe: {length: 12}\n", "frame.length: nothing shows where the first frame begins"},
		{"line length", "line: \"{weight} {unit}\"\nline_length: 5000\n", "line_length: 5000 is no length of a line"},
		{"kind printed and stated", "lines: [{line: \"{kind} {weight} {unit}\", means: {kind: net}}]\nkind: {N: net}\n", "f:1:56: lines[0].means.kind: the frame prints its kind, and the layout states another"},
		{"stability printed and stated", "line: \"{stability} {weight} {unit}\"\nstability: {N: stable}\nmeans: {stability: stable}\n", "means.stability: the frame prints its stability"},
		{"line length of a block", "block: [{line: \"{weight} {unit}\"}]\nframe: {block: {last: [x]}}\nline_length: 20\n", "line_length: a print block has lines of several lengths"},
		{"escape in single quotes", "frame: {ends: ['\\r\\n']}\nline: \"{weight} {unit}\"\n", "f:1:16: frame.ends[0]: the backslash before 'r' is a printed one: only double quotes make control characters of such; allowed: double quotes"},
		{"escape without quotes", "line: lot\\x02 {weight} {unit}\n", "f:1:7: line: the backslash before 'x' is a printed one"},
		{"control characters spelt", "frame: {ends: [CR, <LF>]}\nline: \"{weight} {unit}\"\n", "f:1:16: frame.ends[0]: \"CR\" stands for its letters, and not for the control character; allowed: \"\\r\"\nf:1:20: "},
		{"start spelt", "frame: {start: STX}\nline: \"{weight} {unit}\"\n", "frame.start: \"STX\" stands for its letters"},
		{"line end in the template", "line: \"{weight} {unit}\\r\\n\"\n", "line: “<0D><0A>” begins or ends the frame and is no part of the line"},
		{"start in the template", "frame: {start: \"\\x02\"}\nline: \"\\x02{weight} {unit}\"\n", "line: “<02>” begins or ends the frame"},
		{"tab before the line", "line: \"\\t{weight} {unit}\"\n", "line: the tab at column 1 is passed over as a blank"},
		{"word wider than its field", "line: \"{kind 2} {weight} {unit}\"\nkind: {seed: net, al: gross}\n", "f:2:14: kind.seed: \"seed\" takes 4 bytes, and {kind} has room for 2: it would never be met; allowed: at most 2 bytes, or a wider field"},
		{"mark wider than the weight", "line: \"{weight 6} {unit}\"\nweight: {over: [too heavy], under: [light]}\n", "weight.over[0]: \"too heavy\" takes 9 bytes, and {weight} has room for 6"},
		{"unit wider than its field", "line: \"{weight} {unit 2}\"\nunit: {words: {gramów: g}}\n", "unit.words.\"gramów\": \"gramów\" takes 7 bytes"},
		{"check beside the weight", "line: \"{weight} {unit} {from}{sample 4}{to};{check}\"\ncheck: {sum: xor}\n", "the check does not cover the {weight} of the line"},
		{"check before the weight", "line: \"lot {sample};{check} {weight} {unit}\"\ncheck: {sum: xor}\n", "the check does not cover the {weight} of the line"},
		{"check in another line of the block", "block: [{line: \"{weight} {unit}\"}, {line: \"sum {check}\"}]\nframe: {block: {last: [sum]}}\ncheck: {sum: xor}\n", "the check does not cover the {weight} of the line “{weight} {unit}”"},
		{"kind of check missing", "line: \"{weight} {unit};{check}\"\ncheck: {written: hex}\n", "check.sum: the kind of check is missing; allowed: xor"},
		{"decimals", "line: \"{weight} {unit}\"\nweight: {decimals: [4, 19]}\n", "weight.decimals[1]: 19 is no number of decimals; allowed: 0 to 18"},
		{"empty template", "lines: [{line: \"\"}]\n", "a template is empty"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := layout.Parse("f", []byte(c.src))
			if err == nil {
				t.Fatal("the mistake is not seen")
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf(" got %v\nwant %s", err, c.want)
			}
		})
	}
}

// TestAllFaultsAtOnce finds every mistake of a file in one go, in the order of its lines.
func TestAllFaultsAtOnce(t *testing.T) {
	_, err := layout.Parse("f", []byte("code_page: cp1\nline: \"{kind} {weight} {unit}\"\nkind: {N: a, B: b}\nweight: {sign: left}\n"))
	if err == nil {
		t.Fatal("no mistake is seen")
	}
	lines := strings.Split(err.Error(), "\n")
	for i, prefix := range []string{"f:1:12: ", "f:3:11: ", "f:3:17: ", "f:4:16: "} {
		if i >= len(lines) || !strings.HasPrefix(lines[i], prefix) {
			t.Fatalf("fault %d does not begin with %s:\n%v", i+1, prefix, err)
		}
	}
}
