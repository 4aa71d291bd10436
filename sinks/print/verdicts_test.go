package print

import (
	"bytes"
	"strings"
	"testing"

	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

func TestALabelSaysWhatIsNotJudged(t *testing.T) {
	e := sinktest.WithSamples([]string{"LOT-0042"}, 7)[0]
	at := bytes.Index(e.JSON, []byte(`"verdicts":`))
	end := at + bytes.Index(e.JSON[at:], []byte(`,"fitness"`))
	if at < 0 || end <= at {
		t.Fatalf("no verdicts in %s", e.JSON)
	}
	e.JSON = append(append(append([]byte{}, e.JSON[:at]...),
		`"verdicts":[{"rule":"one","pass":true},{"rule":"two","pass":false},{"rule":"three","pass":false,"not_judged":true,"why":"it is gross"}]`...), e.JSON[end:]...)
	c := labels()
	c.Label.Fields, c.Label.Height = []string{"weight", "verdicts"}, 60
	shown, err := c.Preview("labels", sinks.Env{}, e)
	if err != nil {
		t.Fatal(err)
	}
	words, _ := drawn(t, shown.Body)
	for _, want := range []string{"one: passed", "two: failed", "three: not judged"} {
		if !strings.Contains(words, want) {
			t.Errorf("the label does not say %q:\n%s", want, words)
		}
	}
}
