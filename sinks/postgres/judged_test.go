package postgres

import (
	"testing"

	"weighpost/gateway/record"
)

// TestWhatIsNotJudgedIsNeitherPassedNorFailed: the column passed is null where no rule judged, and verdicts says why.
func TestWhatIsNotJudgedIsNeitherPassedNorFailed(t *testing.T) {
	for verdicts, want := range map[string]string{
		`[]`: "null",
		`[{"rule":"m","pass":false,"not_judged":true,"why":"it is gross"}]`: "null",
		`[{"rule":"m","not_judged":true},{"rule":"r","pass":true}]`:         "true",
		`[{"rule":"m","not_judged":true},{"rule":"r","pass":false}]`:        "false",
	} {
		r, err := rowOf(record.Entry{Kind: record.KindWeighing, ID: "a/b/c/1", JSON: []byte(`{"verdicts":` + verdicts + `}`)})
		got := "null"
		if r.passed != nil {
			got = map[bool]string{true: "true", false: "false"}[*r.passed]
		}
		if err != nil || got != want {
			t.Errorf("%s: passed is %s, want %s (%v)", verdicts, got, want, err)
		}
		if verdicts != "[]" && r.verdicts == nil {
			t.Errorf("%s: no verdicts", verdicts)
		}
	}
}
