package print

import (
	"bytes"
	"strings"
	"testing"

	"weighpost/gateway/record"
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

// TestALabelSaysThatItsBalanceWasUnfit, whichever fields it has.
func TestALabelSaysThatItsBalanceWasUnfit(t *testing.T) {
	for state, word := range map[string]string{record.OutOfService: "OUT OF SERVICE", record.InCheck: "IN CHECK", record.CheckOverdue: "check overdue", record.InService: "", record.CheckDue: ""} {
		for _, fields := range [][]string{{"weight", "sample", "person", "balance", "time"}, {"weight"}} {
			e := sinktest.WithSamples([]string{"LOT-0042"}, 7)[0]
			before := string(e.JSON)
			e.JSON = bytes.Replace(e.JSON, []byte(`"fitness":{"state":"unknown"`), []byte(`"fitness":{"state":"`+state+`"`), 1)
			if string(e.JSON) == before {
				t.Fatal("the weighing has no fitness to change")
			}
			c := labels()
			c.Label.Fields = fields
			shown, err := c.Preview("labels", sinks.Env{}, e)
			if err != nil {
				t.Fatal(err)
			}
			words, _ := drawn(t, shown.Body)
			if says := strings.Contains(words, word); !says || word == "" && strings.Contains(strings.ToLower(words), "service") {
				t.Errorf("%s, with %v, it says:\n%s", state, fields, words)
			}
		}
	}
}
