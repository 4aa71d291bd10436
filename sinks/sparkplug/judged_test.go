package sparkplug

import (
	"testing"

	"weighpost/gateway/record"
)

// TestWhatIsNotJudgedIsNeitherPassedNorFailed: a host is told nothing where no rule judged.
func TestWhatIsNotJudgedIsNeitherPassedNorFailed(t *testing.T) {
	yes, no, unjudged := record.Verdict{Pass: true}, record.Verdict{}, record.Verdict{NotJudged: true}
	for _, c := range []struct {
		verdicts []record.Verdict
		want     any
	}{
		{nil, nullOf(typeBoolean)}, {[]record.Verdict{unjudged}, nullOf(typeBoolean)}, {[]record.Verdict{unjudged, yes}, true},
		{[]record.Verdict{no, unjudged}, false}, {[]record.Verdict{yes, no}, false},
	} {
		if got := passed(c.verdicts); got.value != c.want {
			t.Errorf("%+v: %v, want %v", c.verdicts, got.value, c.want)
		}
	}
}
