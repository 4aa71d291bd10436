package review

import (
	"encoding/json"
	"runtime"
	"testing"

	"weighpost/gateway/record"
)

// TestWhatARunTakes measures how much memory what is known of a run takes: of three weighings and their mean, submitted and approved, with 13
// entries. DEVELOPERS.md says what that comes to.
func TestWhatARunTakes(t *testing.T) {
	const runs = 200
	h := newHouse(t)
	for range runs {
		h.approved(h.perform(record.RunComplete))
	}
	h.end()
	text, err := json.Marshal(h.give())
	h.must(err)
	used := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.GC() // the second one frees what finalizers held
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before := used()
	var rooms []*Room // many, so that what else becomes free meanwhile does not count
	for range 20 {
		s := &snapshot{}
		h.must(json.Unmarshal(text, s))
		room := New(h.options())
		room.take(s)
		rooms = append(rooms, room)
	}
	each := (used() - before) / runs / uint64(len(rooms))
	t.Logf("%d bytes in memory and %d on disk for each run of %d entries", each, len(text)/runs, len(rooms[0].inOrder()[0].Entries))
	if each < 500 || each > 6<<10 {
		t.Errorf("a run takes %d bytes", each)
	}
	runtime.KeepAlive(rooms)
}
