package text

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

// entryOf gives a weighing of one sample.
func entryOf(sample string) record.Entry { return sinktest.WithSamples([]string{sample}, 1)[0] }

func open(t testing.TB, name string) format.Format {
	t.Helper()
	c := format.DefaultChoice()
	c.Format = name
	c.Template.Text = "{{.context.sample.id}}|{{.value.digits}}\n"
	c.Check(strict.NewReport("sink"), format.OneByOne)
	f, err := c.Open(sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// commanding are texts that a machine would act upon: escape, line ends, DEL, the C1 control CSI (ECMA-48, 8.3.16), a change of
// direction, a character above U+FFFF that only tags.
var commanding = []string{"A\x1b[2J", "A\r\nB", "A\x7f", "A\u009b31m", "A\u202eB", "A\U000e0041"}

// TestNoCommandArrives in any format or code page: it is refused or replaced, and JSON says the same in escapes.
func TestNoCommandArrives(t *testing.T) {
	for _, sample := range commanding {
		for _, name := range []string{format.NameJSON, format.NameNDJSON, format.NameTemplate} {
			for page := range pages {
				for _, unknown := range []string{Refuse, Replace} {
					c := Coding{Encoding: page, Unknown: unknown}
					e := entryOf(sample)
					b, err := c.Entry(name, open(t, name), e, "\r\n")
					isJSON := name != format.NameTemplate
					if (err != nil) != (!isJSON && unknown == Refuse) {
						t.Fatalf("%q, %s, %s, %s: %v", sample, name, page, unknown, err)
					}
					if err != nil {
						continue
					}
					body, ended := bytes.CutSuffix(b, []byte("\r\n"))
					if !ended || len(body) == 0 {
						t.Fatalf("%q has not its one line end", b)
					}
					for _, one := range body {
						if one < ' ' || one == 0x7f || page == "latin-1" && one >= 0x80 && one < 0xa0 {
							t.Errorf("%q, %s, %s: the byte %#x arrived", sample, name, page, one)
						}
					}
					if page == UTF8 && bytes.ContainsFunc(body, Commands) {
						t.Errorf("%q, %s: %q", sample, name, body)
					}
					var w record.Weighing
					if isJSON && (json.Unmarshal(body, &w) != nil || w.Context.Sample.ID != sample) {
						t.Errorf("%q is not the same any more: %s", sample, body)
					}
				}
			}
		}
	}
}

// TestCharactersOfACodePage. The codes of é are those of ISO 8859-1, of windows-1252 and of the IBM code pages 437 and 850, from memory;
// that of € that of windows-1252.
func TestCharactersOfACodePage(t *testing.T) {
	for _, c := range []struct{ page, text, want string }{
		{UTF8, "é€", "é€"}, {"latin-1", "é", "\xe9"}, {"windows-1252", "é€", "\xe9\x80"}, {"cp437", "é", "\x82"}, {"cp850", "é", "\x82"},
		{"ascii", "é-", "?-"}, {"latin-1", "€-", "?-"}, {"cp437", "☺-", "?-"}, // in that page a picture in the place of a control
	} {
		b, err := (&Coding{Encoding: c.page, Unknown: Replace}).Encode([]byte(c.text))
		if err != nil || string(b) != c.want {
			t.Errorf("%s: %q, %v, want %q", c.page, b, err, c.want)
		}
		if _, err := (&Coding{Encoding: c.page, Unknown: Refuse}).Encode([]byte(c.text)); (err == nil) == strings.Contains(c.want, "?") {
			t.Errorf("%s, refused: %v", c.page, err)
		}
	}
}

// FuzzEscaped: what JSON says stays the same, and nothing is left in it that is a command.
func FuzzEscaped(f *testing.F) {
	for _, s := range commanding {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		raw, err := json.Marshal(s)
		if err != nil || !utf8.ValidString(s) {
			return
		}
		var back string
		got := escaped(raw)
		if err := json.Unmarshal(got, &back); err != nil || back != s || bytes.ContainsFunc(got, Commands) {
			t.Fatalf("%q became %q, %v", s, got, err)
		}
	})
}
