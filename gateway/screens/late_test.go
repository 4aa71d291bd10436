package screens

import (
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// TestARecordThatWasReadLateSaysWhatItsBoundIsWorth: the wait is in the bound only where there is one.
func TestARecordThatWasReadLateSaysWhatItsBoundIsWorth(t *testing.T) {
	s := &drawer{}
	for _, bound := range []string{`"bound_s":4.25`, `"bound_s":null`} {
		s.add(t, record.KindWeighing, "b-12", `"value":{"digits":"1.5","unit":"g","printed_unit":"g","kind":"net","stability":"stable","range":"in","auxiliary_digits":0},`+
			`"frame":"","trigger":"printed","stamp":{"utc":"2026-11-25T10:04:05Z","zone":"+01:00","clock":"unchecked","stalled_s":4.0,`+bound+`},"context":{"person":null,"sample":null,"method":null,"run":null,"lot":null,"fields":{}}`)
	}
	l := drawerLab(t, s)
	for number, want := range map[string]string{"000001": "before it was read; the bound includes that.", "000002": "before it was read; how far the stamp may be wrong is not known, and this comes on top."} {
		if text := mainText(t, l.fetch(t, "/weighed/seed-bank/7qx3/b-12/"+number, as(""))); !strings.Contains(text, want) {
			t.Errorf("%s does not say %q: %s", number, want, text)
		}
	}
}
