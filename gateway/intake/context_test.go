package intake

import (
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

func TestAContextGoesToTheNextWeighing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, anchored, nil, nil)
		if err := during(t, b, func(h port.Handler) {
			quietly(h)
			sent(h, "W 1.000 g S\n")
			time.Sleep(time.Second)
			v, err := b.SetContext(t.Context(), record.ContextRequest{
				Person: &record.ContextItem{ID: "p-07"}, Sample: &record.ContextItem{ID: "LOT-1"},
				By: record.BySent, Where: "test", At: time.Now(),
			})
			if err != nil || len(v.Items) != 2 || v.Items[0].ID != "p-07" || *v.Items[1].Uses != 1 {
				t.Errorf("%+v, %v", v, err)
			}
			if n := len(b.journal.bodies()); n != 3 {
				t.Errorf("answered with %d entries in the journal", n)
			}
			time.Sleep(time.Second)
			sent(h, "W 2.000 g S\n")
			time.Sleep(time.Second)
			sent(h, "W 3.000 g S\n")
		}); err != nil {
			t.Fatal(err)
		}
		expect(t, b.journal.bodies(), "port-up 1", "weighing 1.000 g", "*record.ContextChange", "weighing 2.000 g", "weighing 3.000 g", "*record.ContextChange")
		for i, want := range map[int]string{1: "", 3: "LOT-1", 4: ""} {
			w := b.journal.bodies()[i].(*record.Weighing)
			if sampleOf(w) != want || (w.Context.Person != nil) != (i > 1) {
				t.Errorf("weighing %d: %+v", i, w.Context)
			}
		}
	})
}
