package health

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

// told writes the list as a person sees it: what is listed, and in brackets what is told under it.
func told(b *Board) string {
	var parts []string
	for _, c := range b.List() {
		part := c.Code + " " + c.Subject
		var under []string
		for _, k := range c.Consequences {
			under = append(under, k.Code+" "+k.Subject)
		}
		if len(under) > 0 {
			part += " [" + strings.Join(under, ", ") + "]"
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, "; ")
}

func checkTold(t *testing.T, b *Board, want string) {
	t.Helper()
	if got := told(b); got != want {
		t.Errorf("told: %s\nwant: %s", got, want)
	}
}

func TestAStoppedJournalIsOneConditionAndNotOneForEachBalance(t *testing.T) {
	b := New(ticking())
	for i := range 3 {
		b.Raise(Condition{Code: ReadingsNotRecorded, Subject: fmt.Sprintf("b-%d", i+1), Severity: Error, Sentence: "Not recorded."})
	}
	checkTold(t, b, "readings-not-recorded b-1; readings-not-recorded b-2; readings-not-recorded b-3")
	b.Raise(Condition{Code: RecordingStopped, Subject: "journal", Severity: Error, Sentence: "Nothing is recorded."})
	b.Raise(Condition{Code: JournalUnreadable, Subject: "share", Severity: Error})
	checkTold(t, b, "recording-stopped journal [readings-not-recorded b-1, readings-not-recorded b-2, readings-not-recorded b-3, journal-unreadable share]")
	root := b.List()[0]
	if want := "Nothing is recorded. This affects 3 balances (b-1, b-2, b-3) and sink share."; root.Sentence != want {
		t.Errorf("%q, want %q", root.Sentence, want)
	}
	if c := root.Consequences[0]; c.Cause == nil || *c.Cause != root.Ref() || root.Cause != nil {
		t.Errorf("%+v", root)
	}
	// The root clears; what still holds stands by itself.
	b.Clear(ReadingsNotRecorded, "b-1")
	b.Clear(RecordingStopped, "journal")
	checkTold(t, b, "readings-not-recorded b-2; readings-not-recorded b-3; journal-unreadable share")
}

func lostTCP(balance, host string) Condition {
	return Condition{Code: PortLost, Subject: balance, Severity: Error, Sentence: "Lost.",
		From: append([]Ref{{DeviceServerGone, host}}, Through(host)...)}
}

func TestADeviceServerIsOneConditionForAllItsBalances(t *testing.T) {
	b := New(ticking())
	b.Raise(lostTCP("b-2", "ports.example"))
	checkTold(t, b, "port-lost b-2") // one alone is its own trouble
	b.Raise(lostTCP("b-1", "ports.example"))
	b.Raise(lostTCP("b-9", "other.example"))
	b.Raise(Condition{Code: UnreadFrames, Subject: "b-1", Severity: Warning}) // from before its port went
	b.Raise(Condition{Code: UnreadFrames, Subject: "b-3", Severity: Warning})
	checkTold(t, b, "device-server-gone ports.example [port-lost b-2, port-lost b-1, unread-frames b-1]; port-lost b-9; unread-frames b-3")
	list := b.List()
	if want := "Nothing comes from 2 balances (b-1, b-2) behind the device server ports.example."; list[0].Sentence != want || list[0].Remedy == "" {
		t.Errorf("%q, want %q", list[0].Sentence, want)
	}
	if want := list[0].Consequences[0].Since; !list[0].Since.Equal(want) {
		t.Errorf("since %s, and it began at %s", list[0].Since, want)
	}
	b.Clear(PortLost, "b-2")
	checkTold(t, b, "port-lost b-1 [unread-frames b-1]; port-lost b-9; unread-frames b-3")
}

func TestTheNetworkIsTheCauseOfAllThatIsBehindIt(t *testing.T) {
	b := New(ticking())
	b.Raise(Condition{Code: NetworkGone, Subject: "computer", Severity: Warning, Sentence: "No network."})
	checkTold(t, b, "") // nothing needs it
	b.Raise(lostTCP("b-1", "ports.example"))
	b.Raise(lostTCP("b-2", "ports.example"))
	b.Raise(lostTCP("b-3", "127.0.0.1")) // another end of a tunnel: it does not need the network
	for _, sink := range []string{"lake", "broker"} {
		b.Raise(Condition{Code: SinkUnreachable, Subject: sink, Severity: Warning,
			From: append([]Ref{{DestinationGone, "h.example:1883"}}, Through("h.example")...)})
	}
	checkTold(t, b, "network-gone computer [device-server-gone ports.example, port-lost b-1, port-lost b-2, "+
		"destination-gone h.example:1883, sink-unreachable lake, sink-unreachable broker]; port-lost b-3")
	root := b.List()[0]
	if want := "No network. This affects 2 balances (b-1, b-2) and 2 sinks (broker, lake)."; root.Sentence != want || root.Severity != Error {
		t.Errorf("%s %q, want an error with %q", root.Severity, root.Sentence, want)
	}
	b.Clear(NetworkGone, "computer")
	checkTold(t, b, "device-server-gone ports.example [port-lost b-1, port-lost b-2]; port-lost b-3; "+
		"destination-gone h.example:1883 [sink-unreachable lake, sink-unreachable broker]")
}

func TestCausesThatGoInACircleAreAllListed(t *testing.T) {
	b := New(ticking())
	x, y := Ref{"x", ""}, Ref{"y", ""}
	b.Raise(Condition{Code: "x", From: []Ref{y, x}})
	b.Raise(Condition{Code: "y", From: []Ref{x}})
	b.Raise(Condition{Code: "z", From: []Ref{y}})
	seen := map[string]bool{}
	for _, c := range b.List() {
		c.Any(func(c *Condition) bool { seen[c.Code] = true; return false })
	}
	if len(seen) != 3 {
		t.Errorf("told: %s; and x, y, z hold", told(b))
	}
}

func TestAListOfManyNamesStaysShort(t *testing.T) {
	b := New(ticking())
	for i := range 40 {
		b.Raise(lostTCP(fmt.Sprintf("b-%02d", i), "ports.example"))
	}
	c := b.List()[0]
	if want := "40 balances (b-00, b-01, b-02, b-03, b-04, b-05, b-06, b-07 and 32 more)"; !strings.Contains(c.Sentence, want) || len(c.Consequences) != 40 {
		t.Errorf("%q with %d consequences", c.Sentence, len(c.Consequences))
	}
}

func TestWhatMachinesRead(t *testing.T) {
	b := New(ticking())
	b.Raise(Condition{Code: PortLost, Subject: "b-1", Severity: Error, Sentence: "Lost.", Remedy: "Plug."})
	b.Raise(Condition{Code: UnreadFrames, Subject: "b-1", Severity: Warning, Sentence: "Unread.", Remedy: "Compare."})
	got, err := json.Marshal(b.List())
	want := `[{"code":"port-lost","subject":"b-1","severity":"error","sentence":"Lost.","remedy":"Plug.","since":"2026-11-25T10:00:01Z",` +
		`"consequences":[{"code":"unread-frames","subject":"b-1","severity":"warning","sentence":"Unread.","remedy":"Compare.",` +
		`"since":"2026-11-25T10:00:02Z","cause":{"code":"port-lost","subject":"b-1"}}]}]`
	if err != nil || string(got) != want {
		t.Errorf("%s (%v), want %s", got, err, want)
	}
}
