package record

import (
	"encoding/json"
	"strings"
	"testing"
)

// glanceSample is a weighing as a journal writes it.
func glanceSample(t testing.TB) []byte {
	t.Helper()
	w := Weighing{Head: Head{Schema: KindWeighing.Schema(), ID: "north-lab/7qx3a/b-12/000184", Seq: 90211, Site: "north-lab"},
		Balance: Balance{ID: "b-12"}}
	b, err := json.Marshal(&w)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestAGlanceAgreesWithTheWholeReading(t *testing.T) {
	raw := glanceSample(t)
	whole, err := ParseEntry(raw)
	if err != nil {
		t.Fatal(err)
	}
	glance, ok := GlanceWeighing(raw)
	if !ok || glance.Seq != whole.Seq || glance.ID != whole.ID || glance.Balance != whole.Balance || glance.Kind != whole.Kind {
		t.Fatalf("%v %+v, read whole %+v", ok, glance, whole)
	}
	// Whatever is changed in the head, a glance never reads another head than the whole reading does.
	head := strings.Index(string(raw), `"balance":{"id":"b-12"`) + len(`"balance":{"id":"b-12"`)
	for at := range head {
		for _, c := range []byte("0aZ\" \\,:{}/-\x00\xff") {
			changed := append([]byte(nil), raw...)
			changed[at] = c
			glance, ok := GlanceWeighing(changed)
			if !ok {
				continue
			}
			whole, err := ParseEntry(changed)
			if err != nil || glance.Seq != whole.Seq || glance.ID != whole.ID || glance.Balance != whole.Balance || glance.Kind != whole.Kind {
				t.Errorf("byte %d as %q: a glance reads %d %s of %s, the whole reading %d %s of %s, %v", at, c, glance.Seq, glance.ID,
					glance.Balance, whole.Seq, whole.ID, whole.Balance, err)
			}
		}
	}
	for _, other := range []string{"", "{}", strings.Replace(string(raw), "weighing/1", "weighing/2", 1), strings.Replace(string(raw), "weighing/1", "unread/1", 1),
		strings.Replace(string(raw), `"seq":90211`, `"seq":090211`, 1), strings.Replace(string(raw), `"seq":90211`, `"seq":99999999999999999999`, 1),
		strings.Replace(string(raw), `,"site"`, ` ,"site"`, 1)} {
		if e, ok := GlanceWeighing([]byte(other)); ok {
			t.Errorf("%.80s is taken for %+v", other, e)
		}
	}
}
