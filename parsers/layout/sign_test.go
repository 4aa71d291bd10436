package layout_test

import (
	"strings"
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// TestLoneSign refuses a line whose text is missing and whose weight has its sign apart: the sign would be read as the text,
// and the weight without it.
func TestLoneSign(t *testing.T) {
	for _, template := range []string{"lot {sample} {weight} {unit}", "lot {ignore}  {weight} {unit}"} {
		l, err := layout.Parse("sign", []byte("line: \""+template+"\"\nweight: {sign: detached}\n"))
		if err != nil {
			t.Fatal(err)
		}
		for line, want := range map[string]string{"lot OAT - 12.5 g": "-12.5", "lot - 12.5 g": "", "lot + 12.5 g": "", "lot -7 12.5 g": "12.5"} {
			var r layout.Reading
			err := l.Apply(frame.Frame{Bytes: []byte(line), Body: []byte(line)}, &r)
			switch {
			case want == "" && (err == nil || !strings.Contains(err.Error(), "sign by itself")):
				t.Errorf("%s: %q is read as %q, %v", template, line, r.Digits(), err)
			case want != "" && (err != nil || r.Digits() != want):
				t.Errorf("%s: %q is read as %q, %v", template, line, r.Digits(), err)
			}
		}
	}

	l, err := layout.Parse("sign", []byte("line: \"lot {sample 8}{weight 6} {unit 1}\"\nweight: {sign: detached}\n"))
	if err != nil {
		t.Fatal(err)
	}
	for line, want := range map[string]string{"lot OAT-9      7.5 g": "7.5", "lot OAT    -   7.5 g": "", "lot OAT     -  7.5 g": "-7.5"} {
		var r layout.Reading
		if err := l.Apply(frame.Frame{Bytes: []byte(line), Body: []byte(line)}, &r); (err == nil) != (want != "") || r.Digits() != want {
			t.Errorf("%q is read as %q, %v", line, r.Digits(), err)
		}
	}
}
