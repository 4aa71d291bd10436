package needs

import "testing"

// outcome notes how a test would have ended.
type outcome struct {
	testing.TB
	skipped, failed bool
}

func (o *outcome) Skip(...any)  { o.skipped = true; panic("skip") }
func (o *outcome) Fatal(...any) { o.failed = true; panic("fatal") }

func TestWhatIsMissingSkipsOrFails(t *testing.T) {
	for _, all := range []string{"", "all"} {
		t.Setenv("WEIGHPOST_SERVERS", all)
		o := &outcome{TB: t}
		func() {
			defer func() { _ = recover() }()
			Programs(o, "sh", "no-such-program")
		}()
		if o.skipped != (all == "") || o.failed != (all == "all") {
			t.Errorf("with WEIGHPOST_SERVERS=%q: skipped %t, failed %t", all, o.skipped, o.failed)
		}
	}
	o := &outcome{TB: t}
	Programs(o, "sh")
	That(o, true, "nothing")
	if o.skipped || o.failed {
		t.Error("what is there ends the test")
	}
}
