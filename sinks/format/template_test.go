package format

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

func ofText(t testing.TB, text string) Format {
	t.Helper()
	return open(t, "format: template\ntemplate: {text: "+strict.Quote(text)+"}", OneByOne)
}

// sown is an entry whose every value is known.
var sown = record.Entry{Seq: 7, Kind: record.KindWeighing, ID: "north/7qx3/b-12/000184", Balance: "b-12", JSON: []byte(`{"schema":"weighpost.weighing/1",` +
	`"id":"north/7qx3/b-12/000184","seq":7,"site":"north","balance":{"id":"b-12"},"value":{"digits":"-0.0500","unit":"g","auxiliary_digits":0},` +
	`"stamp":{"utc":"2026-11-25T23:30:07.123456Z","zone":"+01:00","bound_s":0.021,"clock":"checked"},` +
	`"context":{"sample":{"id":"a;\"b\"<é>","by":"scanned"},"person":null,"fields":{"tray":"0012","no of tray":"3"}},` +
	`"verdicts":[{"rule":"minimum-weight","pass":true},{"rule":"range","pass":false}]}`)}

func TestWhatATemplateMakes(t *testing.T) {
	for text, want := range map[string]string{
		"{{.value.digits}} {{.value.unit}}\r\n":                                                                          "-0.0500 g\r\n",
		"{{.seq}}|{{.stamp.bound_s}}|{{.value.auxiliary_digits}}":                                                        "7|0.021|0",
		"{{right 9 .value.digits}}|{{.value.unit | left 3}}|":                                                            "  -0.0500|g  |",
		"{{comma .value.digits}} {{upper .balance.id}} {{lower \"AB\"}}":                                                 "-0,0500 B-12 ab",
		"{{local \"02.01.2006 15:04:05\" .stamp}}":                                                                       "26.11.2026 00:30:07",
		"{{csv .context.sample.id}};{{json .context.sample.id}};{{xml .context.sample.id}}":                              "\"a;\"\"b\"\"<é>\";\"a;\\\"b\\\"\\u003cé\\u003e\";a;&#34;b&#34;&lt;é&gt;",
		"{{if .context.person}}{{.context.person.id}}{{else}}nobody{{end}}":                                              "nobody",
		"{{default \"nobody\" .context.person}} {{default \"x\" .value.unit}}":                                           "nobody g",
		"{{range .verdicts}}{{.rule}}={{if .pass}}ok{{else}}NO{{end}};{{end}}":                                           "minimum-weight=ok;range=NO;",
		"{{.context.fields.tray}} {{index .context.fields \"no of tray\"}}":                                              "0012 3",
		"{{index .verdicts 1 | index | len}}":                                                                            "!wrong number of args",
		"{{(index .verdicts 1).rule}} {{len .verdicts}}":                                                                 "range 2",
		"{{define \"unit\"}}[{{.}}]{{end}}{{template \"unit\" .value.unit}}":                                             "[g]",
		"{{if has .value \"range\"}}r{{end}}{{if has .value \"unit\"}}u{{end}}{{if has .context.person \"id\"}}p{{end}}": "u",
		"{{has .site \"x\"}}":                                     "!needs something with fields",
		"{{replace \"-\" \"minus \" .value.digits}}":              "minus 0.0500",
		"{{with .balance}}{{.id}}{{$.site}}{{end}}":               "b-12north",
		"{{if and .value.digits (eq .value.unit \"g\")}}y{{end}}": "y",

		"{{.value.range}}":                                     "!1:8: executing \"text\" at <.value.range>: map has no entry for key \"range\"",
		"a\n {{.balance.serial}}":                              "!2:11: ",
		"{{.context.person}}":                                  "!it prints a field that has no value",
		"{{.context.person.id}}":                               "!1:10: executing \"text\" at <.context.person.id>",
		"{{.balance}}":                                         "!it prints something that has fields or items of its own",
		"{{.verdicts}}":                                        "!it prints something that has fields or items of its own",
		"{{index .context.fields \"colour\"}}":                 "!finds no field \"colour\"",
		"{{index .verdicts 2}}":                                "!finds no item 2",
		"{{left 3 .value.digits}}":                             "!\"-0.0500\" is longer than 3",
		"{{upper .context.person}}":                            "!expected string; got no value",
		"{{left 100000000 \"x\"}}":                             "!a width of 100000000 is out of range",
		"{{local \"x\" .balance}}":                             "!no stamp",
		"{{range 1000000000}}{{end}}":                          "!it takes more than 100000 steps",
		"{{range 100000000}}{{range 100000000}}{{end}}{{end}}": "!it takes more than 100000 steps",
		"{{range 90000}}1234567890{{end}}":                     "!it would have more than 262144 bytes",
		"{{range 90000}}{{$x := left 1000 \"a\"}}{{end}}":      "!it makes too much text on the way",
		"{{$x := left 1000 \"a\"}}{{replace \"a\" $x (replace \" \" \"a\" $x)}}":                                                "!makes more than 65536 bytes",
		"{{range 1000}}{{$x := not (" + strings.Repeat("not (", 200) + "$.site" + strings.Repeat(")", 201) + "}}{{end}}":        "!it takes more than 100000 steps",
		"{{$x := left 1000 \"a\"}}{{$x = replace \" \" (left 60 \"b\") $x}}{{range 200}}{{$y := replace \"c\" \"\" $x}}{{end}}": "!it makes too much text on the way",
		"{{define \"a\"}}{{template \"b\" .}}{{template \"b\" .}}{{end}}" + doubling(20) + "{{template \"a\" .}}":               "!it takes more than 100000 steps",
		"\"\\xff\" {{\"\\xff\"}}": "!it prints a field that has no value",
	} {
		p, err := ofText(t, text).Entry(sown)
		refusal, refused := strings.CutPrefix(want, "!")
		var held NotHeld
		switch {
		case !refused && (err != nil || string(p.Body) != want):
			t.Errorf("%.80q made %q, %v\n want %q", text, p.Body, err, want)
		case refused && (!errors.As(err, &held) || !strings.Contains(err.Error(), refusal) || p.Body != nil):
			t.Errorf("%.80q made %q\n got  %v\n want %s", text, p.Body, err, refusal)
		}
	}
}

// doubling defines templates of which each calls the next one twice, beginning with b.
func doubling(n int) string {
	var b strings.Builder
	for i := range n {
		next := string(rune('c' + i))
		call := "{{template \"" + next + "\" .}}"
		if i == n-1 {
			call = "x"
		}
		b.WriteString("{{define \"" + string(rune('b'+i)) + "\"}}" + call + call + "{{end}}")
	}
	return b.String()
}

func TestFaultsOfATemplate(t *testing.T) {
	file := filepath.Join(t.TempDir(), "lines.txt")
	if err := os.WriteFile(file, []byte("{{.value.digits}}\n{{.value.digts}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"{{.value.digits": "1:1: unclosed action",
		"a\nbc {{.value.digits}} {{end}} {{.site}}":  "2:22: unexpected {{end}}",
		"a\n{{if .site}}x":                           "2:1: unexpected EOF",
		"{{.site}}\n  {{frobnicate .site}}":          "2:3: function \"frobnicate\" not defined",
		"é{{.vlaue.digits}}":                         "1:10: no entry has a field \"vlaue\"",
		"{{range .verdicts}}{{.rle}}{{end}}":         "no entry has a field \"rle\"",
		"{{$.vlaue}}":                                "no entry has a field \"vlaue\"",
		"{{(index .verdicts 0).rle}}":                "no entry has a field \"rle\"",
		"{{printf \"%s\" .site}}":                    "1:3: \"printf\" is no function here: there are and, comma, csv, ",
		"{{html .site}}":                             "\"html\" is no function here",
		"{{call .site}}":                             "\"call\" is no function here",
		"{{_tick 1}}":                                "\"_tick\" is no function here",
		"{{if lt .site \"a\"}}{{end}}x":              "\"lt\" is no function here",
		"{{template \"b\"}}":                         "1:12: there is no template \"b\"",
		"{{define \"a\"}}{{template \"a\"}}{{end}}x": "the template \"a\" calls itself",
		"{{define \"a\"}}{{template \"b\"}}{{end}}{{define \"b\"}}{{if .site}}{{template \"a\"}}{{end}}{{end}}x": "calls itself",
		"  {{/* nothing */}}\n": "1:1: it prints nothing",
	} {
		_, faults := load("format: template\ntemplate: {text: "+strict.Quote(text)+"}", OneByOne)
		if len(faults) != 1 || !strings.Contains(faults.Error(), "template.text: "+want) && !strings.Contains(faults.Error(), want) {
			t.Errorf("%q:\n got  %v\n want %s", text, faults, want)
		}
	}
	for text, want := range map[string]string{
		"{file: " + file + "}":      `template.file: 2:9: no entry has a field "digts"`,
		"{}":                        "template: text and file are missing",
		"{text: x, type: plain}":    `template.type: "plain" is no media type`,
		"{text: x, file: /x}":       "template.file: is given beside text",
		"{file: " + file + ".none}": "no such file",
	} {
		if _, faults := load("format: template\ntemplate: "+text, OneByOne); len(faults) != 1 || !strings.Contains(faults.Error(), want) {
			t.Errorf("%s:\n got  %v\n want %s", text, faults, want)
		}
	}
}

// TestAThousandWeighingsInATemplate: out, and read back by RFC 4180.
func TestAThousandWeighingsInATemplate(t *testing.T) {
	f := ofText(t, `{{csv .id}},{{csv .balance.id}},{{if has .value "digits"}}{{csv .value.digits}}{{else}}""{{end}},{{csv .stamp.utc}},{{csv .context.sample.id}}`+"\r\n")
	bare := ofText(t, "{{.value.digits}}")
	for _, e := range sinktest.Weighings(1000, 5) {
		want := sinktest.FactOf(t, e)
		if _, err := bare.Entry(e); (err != nil) != (want.Digits == "") {
			t.Fatalf("%s: digits that are not there must refuse the entry, and no others: %v", e.ID, err)
		}
		p, err := f.Entry(e)
		if err != nil {
			t.Fatal(err)
		}
		got, err := ParseCSV(p.Body)
		if err != nil || strings.Join(got, "\x00") != strings.Join([]string{want.ID, want.Balance, want.Digits, want.UTC, want.Sample}, "\x00") {
			t.Fatalf("%q reads as %q, %v", p.Body, got, err)
		}
	}
}

// FuzzTemplate holds that no template makes the loader or an entry panic, take long, or give more than is allowed.
func FuzzTemplate(f *testing.F) {
	for _, text := range []string{"{{.value.digits}}", "{{range .verdicts}}{{.rule}}{{end}}", "{{define \"a\"}}{{end}}{{template \"a\" .}}", "{{local \"15\" .stamp | left 3}}",
		"{{with $x := index .verdicts 0}}{{$x.rule}}{{end}}", "{{if eq .site \"a\"}}{{else}}b{{end}}", "{{range $i, $v := .balance}}{{$i}}{{end}}", "{{block \"x\" .}}y{{end}}"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		compiled, err := compile(text)
		if err != nil {
			if line, _, found := strings.Cut(err.Error(), ":"); !found && err.Error() != "it is not UTF-8" {
				t.Fatalf("%q has no line: %s", err, line)
			}
			return
		}
		began := time.Now()
		body, err := (&filled{t: compiled}).fill(sown)
		if took := time.Since(began); took > 10*time.Second {
			t.Fatalf("it took %s", took)
		}
		if err == nil && (len(body) > maxFilled || !utf8.Valid(body) || bytes.Contains(body, []byte("<no value>")) && !strings.Contains(text, "no value")) {
			t.Fatalf("%q", body)
		}
	})
}
