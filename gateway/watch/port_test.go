package watch

import (
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/parsers/layout"
)

// What a watched port prints of person, sample and balance is told with the reading, and nothing stays for the next one.
func TestAWatchedPortTellsWhatIsPrinted(t *testing.T) {
	l, err := layout.Parse("line.yaml", []byte(`line: "{balance} {person 4} {sample} {weight} {unit}"`))
	if err != nil {
		t.Fatal(err)
	}
	var got []Event
	v := &view{layout: l, splitter: l.Splitter(), take: func(e Event) error { got = append(got, e); return nil }}
	v.Bytes([]byte("07 k07  OAT-9 1.5 g\r\n07      OAT-9 1.5 g\r\n"), port.Arrival{At: time.Now()})
	if len(got) != 2 {
		t.Fatalf("%+v", got)
	}
	if e := got[0]; e.Event != Reading || e.Person != "k07" || e.Sample != "OAT-9" || e.Balance != "07" || e.Value.Digits != "1.5" {
		t.Errorf("%+v", e)
	}
	if e := got[1]; e.Event != Reading || e.Person != "" || e.Sample != "OAT-9" {
		t.Errorf("%+v", e)
	}
}
