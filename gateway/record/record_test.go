package record_test

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"weighpost/gateway/record"
)

func TestCheckName(t *testing.T) {
	for _, good := range []string{"b-12", "7", "a", "north-lab", "0-0", "b-", strings.Repeat("a", 63)} {
		if err := record.CheckName(good); err != nil {
			t.Errorf("%q is refused: %v", good, err)
		}
	}
	for _, bad := range []string{"", "-b", "B-12", "b 12", "b/12", "b_12", "b.12", "../x", "a\x00b", "b+", "#", "@", "$sys", "ä", "b\n",
		"\u202eb", "\xff", strings.Repeat("a", 64)} {
		if err := record.CheckName(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

func TestEntryID(t *testing.T) {
	if got := record.EntryID("north-lab", "7qx3", "b-12", 184); got != "north-lab/7qx3/b-12/000184" {
		t.Errorf("a weighing's id is %s", got)
	}
	if got := record.EntryID("north-lab", "7qx3", "", 90212); got != "north-lab/7qx3/@/090212" {
		t.Errorf("another entry's id is %s", got)
	}
	if got := record.EntryID("s", "i", "b", 1<<64-1); got != "s/i/b/18446744073709551615" {
		t.Errorf("the last id is %s", got)
	}
}

// TestIDsAreOneToOne draws two origins: they have the same id only if they are the same.
func TestIDsAreOneToOne(t *testing.T) {
	type origin struct {
		site, incarnation, balance string
		n                          uint64
	}
	name := rapid.StringMatching(`[a-z0-9][a-z0-9-]{0,2}`)
	draw := func(t *rapid.T) origin {
		o := origin{name.Draw(t, "site"), name.Draw(t, "incarnation"), "", rapid.Uint64Range(0, 12).Draw(t, "n")}
		if rapid.Bool().Draw(t, "numbered") {
			o.balance = name.Draw(t, "balance")
		}
		return o
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := draw(t), draw(t)
		ida, idb := record.EntryID(a.site, a.incarnation, a.balance, a.n), record.EntryID(b.site, b.incarnation, b.balance, b.n)
		if (ida == idb) != (a == b) {
			t.Fatalf("%+v has %s, %+v has %s", a, ida, b, idb)
		}
	})
}

// TestBodies makes every kind of body and holds what the journal relies on: the head comes first, the kind agrees with
// the schema that ParseEntry reads, and the JSON comes back as the same body.
func TestBodies(t *testing.T) {
	stamp := weighing().Stamp
	about := record.About{ID: "b-12"}
	for _, c := range []struct {
		body    record.Body
		kind    record.Kind
		subject string
	}{
		{weighing(), record.KindWeighing, "b-12"},
		{&record.Result{Weighing: *weighing()}, record.KindResult, "b-12"},
		{&record.Unread{Balance: about, Frame: []byte{0, 255}, Stamp: stamp}, record.KindUnread, "b-12"},
		{&record.UnreadSummary{Balance: about, Sample: []byte{1}, To: stamp}, record.KindUnreadSummary, "b-12"},
		{&record.PortChange{Balance: about, Up: true, Stamp: stamp}, record.KindPortUp, "b-12"},
		{&record.PortChange{Balance: about, Stamp: stamp}, record.KindPortDown, "b-12"},
		{&record.Gap{Balance: about, To: stamp}, record.KindGap, "b-12"},
		{&record.Lifecycle{Started: true, Stamp: stamp}, record.KindStart, ""},
		{&record.Lifecycle{Stamp: stamp}, record.KindStop, ""},
		{&record.Parked{Sink: "broker", Stamp: stamp}, record.KindParked, ""},
		{&record.SinkState{Sink: "broker", Stopped: true, Stamp: stamp}, record.KindSinkStopped, ""},
		{&record.SinkState{Sink: "broker", Stamp: stamp}, record.KindSinkResumed, ""},
		{&record.SinkMoved{Sink: "broker", Stamp: stamp}, record.KindSinkMoved, ""},
	} {
		if c.body.Kind() != c.kind || c.body.Subject() != c.subject || !c.body.Time().Equal(instant) {
			t.Errorf("%T is %s about %q at %v", c.body, c.body.Kind(), c.body.Subject(), c.body.Time())
		}
		if numbered := c.kind == record.KindWeighing || c.kind == record.KindResult; c.kind.Numbered() != numbered {
			t.Errorf("%s takes a number: %v", c.kind, c.kind.Numbered())
		}
		*c.body.Identity() = record.Head{Schema: c.kind.Schema(), ID: "s/i/x/000001", Seq: 9, Site: "s"}
		raw := encode(t, c.body)
		if !strings.HasPrefix(string(raw), `{"schema":"weighpost.`+string(c.kind)+`/1","id":"s/i/x/000001","seq":9,"site":"s",`) {
			t.Errorf("%s does not begin with its head: %.100s", c.kind, raw)
		}
		e, err := record.ParseEntry(raw)
		if err != nil || e.Kind != c.kind || e.Seq != 9 || e.ID != "s/i/x/000001" || e.Balance != c.subject || &e.JSON[0] != &raw[0] {
			t.Errorf("ParseEntry of a %s: %+v, %v", c.kind, e, err)
		}
		back := reflect.New(reflect.TypeOf(c.body).Elem()).Interface()
		if err := json.Unmarshal(raw, back); err != nil || string(encode(t, back)) != string(raw) {
			t.Errorf("%s came back as %s, %v", raw, encode(t, back), err)
		}
	}
}
