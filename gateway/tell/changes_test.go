package tell

import (
	"fmt"
	"testing"

	"weighpost/gateway/record"
)

// TestChangesAreOldAndNew: of contexts item by item, of a clock its state, of an account member by member.
func TestChangesAreOldAndNew(t *testing.T) {
	for _, c := range []struct {
		kind       record.Kind
		rest, want string
	}{
		{record.KindContextChanged, `"before":{"person":null,"fields":{"room":"2"}},"after":{"person":{"id":"p-07"},"fields":{"room":"3"}}`, "[{person  p-07} {room 2 3}]"},
		{record.KindContextChanged, `"before":7`, "[]"},
		{record.KindClockChanged, `"from":"checked","state":"holdover"`, "[{clock checked holdover}]"},
		{record.KindConfigured, `"from":"sha256:1","to":"sha256:1"`, "[]"},
		{record.KindSampleAnnounced, `"before":{"id":"LOT-1","lot":"a"},"sample":{"id":"LOT-1","run":"r"}`, "[{lot a } {run  r}]"},
		{record.KindSampleAnnounced, `"sample":{"id":"LOT-1"}`, "[]"},
		{record.KindPersonChanged, `"before":{"name":"Ada","roles":["operator"]},"after":{"name":"Ada","roles":["operator","reviewer"]}`, "[{roles operator operator, reviewer}]"},
		{record.KindPersonChanged, `"before":[],"after":"x"`, "[]"},
	} {
		e := record.Entry{Kind: c.kind, JSON: []byte(`{"schema":"` + c.kind.Schema() + `","id":"a/b/@/1","seq":1,"site":"a",` + c.rest + `}`)}
		if got := fmt.Sprint(Changes(e)); got != c.want {
			t.Errorf("%s: %s, not %s", c.rest, got, c.want)
		}
	}
	if Changes(record.Entry{JSON: []byte("{")}) != nil {
		t.Error("what is no entry changes something")
	}
}

// TestMembersTellEverything but what every entry has.
func TestMembersTellEverything(t *testing.T) {
	all, err := Members(record.Entry{JSON: []byte(`{"schema":"weighpost.news/1","id":"a/b/@/1","seq":1,"site":"a","what":"x","none":null,"raw":"QQ0=","deep":{"n":1.50}}`)})
	if got := fmt.Sprint(all); err != nil || got != `[{what x} {scan as received "A\r"} {deep (n: 1.50)}]` {
		t.Errorf("%s %v", got, err)
	}
	if _, err := Members(record.Entry{JSON: []byte("7")}); err == nil {
		t.Error("a number has members")
	}
}
