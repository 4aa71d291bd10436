package deliver

import (
	"strings"
	"testing"

	"weighpost/gateway/record"
)

func TestAnEntryThatIsNotWantedSaysWhy(t *testing.T) {
	weighing := func(balance, verdicts string) record.Entry {
		return record.Entry{Kind: record.KindWeighing, Balance: balance, JSON: []byte(`{"verdicts":[` + verdicts + `]}`)}
	}
	c := Default()
	c.Hold = Released
	for _, v := range []struct {
		set  func()
		e    record.Entry
		says string
	}{
		{func() {}, weighing("b-1", ""), ""},
		{func() {}, record.Entry{Kind: record.KindStart}, "kind start"},
		{func() { c.Balances = []string{"b-1", "b-2"} }, weighing("b-3", ""), "b-1, b-2"},
		{func() {}, weighing("b-2", ""), ""},
		{func() { c.Verdicts = Passed }, weighing("b-2", ""), "passed"},
		{func() {}, weighing("b-2", `{"pass":true}`), ""},
		{func() { c.Entries = []string{"all"} }, record.Entry{Kind: record.KindStart}, ""},
	} {
		v.set()
		says := c.Unwanted(v.e)
		if (says == "") != (v.says == "") || !strings.Contains(says, v.says) {
			t.Errorf("%s of %s: %q, want %q", v.e.Kind, v.e.Balance, says, v.says)
		}
		if held := c.Holds(v.e); held != (says == "" && v.e.Kind == record.KindWeighing) {
			t.Errorf("%s of %s, which is wanted: %v, is held: %v", v.e.Kind, v.e.Balance, says == "", held)
		}
	}
}
