package gateway_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// TestPausesAndReleasesAreEntries pauses a lab system, has it go on after a restart, and releases one of two weighings that it holds
// back. Each is one entry, with who did it, and what cannot be is refused and changes nothing.
func TestPausesAndReleasesAreEntries(t *testing.T) {
	got := make(chan string, 10)
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		w.Header().Set("Lab-Number", "LIMS-2026-77")
		got <- r.Header.Get("Weighpost-Late") + " " + r.Header.Get("Idempotency-Key")
	}))
	defer far.Close()
	defer http.DefaultClient.CloseIdleConnections()
	h := newHouse(t, "port-1")
	text := `site: seed-bank
journal: {folder: journal}
page: {listen: "127.0.0.1:0"}
balances:
- {id: b-1, port: {address: DIR/port-1, speed: 115200}, layout: as.yaml, record: printed}
sinks:
- {id: lab, kind: http, url: "` + far.URL + `", hold: released, answer_id: {header: Lab-Number}}
`
	h.start(t, text)
	for i := range 2 {
		if _, err := h.cords["port-1"].Write(line(1000 + i)); err != nil {
			t.Fatal(err)
		}
	}
	until(t, func() bool { return h.Balances()[0].Recorded == 2 }, "nothing is recorded")
	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(b))
	var held console.HeldList
	if status, answer := h.try(t, "GET /api/v1/deliveries/lab/held", token, ""); status != 200 || json.Unmarshal([]byte(answer), &held) != nil ||
		len(held.Held) != 2 || held.Held[0].What != "1.001 g" || held.Next != 0 {
		t.Fatalf("%d %s", status, answer)
	}
	first := held.Held[1]
	_, head := h.since(t, 0)
	does := func(path, body string, kind record.Kind) {
		t.Helper()
		if status, answer := h.try(t, "POST /api/v1/deliveries/"+path, token, body); status != 200 {
			t.Fatalf("%s: %d %s", path, status, answer)
		}
		var entries []deedEntry
		until(t, func() bool {
			entries, _ = h.since(t, head)
			// What the destination answers once it gets something is nobody's act.
			entries = slices.DeleteFunc(entries, func(e deedEntry) bool { return e.Kind == record.KindSinkAnswered })
			return len(entries) > 0
		}, path+" leaves no entry")
		h.judge(t, path, act{kind: kind}, entries)
		head = entries[len(entries)-1].Seq
	}
	refused := func(path, body, says string) {
		t.Helper()
		if status, answer := h.try(t, "POST /api/v1/deliveries/"+path, token, body); status != http.StatusConflict || !strings.Contains(answer, says) {
			t.Errorf("%s: %d %s", path, status, answer)
		}
	}
	refused("lab/continue", `{"by": "ada"}`, "not paused")
	until(t, func() bool { list, _ := h.since(t, head); return len(list) == 1 && list[0].Kind == record.KindRefused }, "the refused act is no entry")
	_, head = h.since(t, head)
	does("lab/pause", `{"reason": "the lab system is being moved", "by": "ada"}`, record.KindSinkPaused)
	refused("lab/pause", `{"reason": "once more", "by": "ada"}`, "paused already")
	refused("lab/try-now", `{"by": "ada"}`, "paused")
	does("release", `{"entries": [`+jsonOf(first.Seq)+`], "reason": "looked over", "by": "ada"}`, record.KindHeldReleased)
	refused("release", `{"ids": ["`+first.ID+`"], "reason": "once more", "by": "ada"}`, "released already")
	refused("release", `{"entries": [1], "reason": "no weighing", "by": "ada"}`, "No sink holds entry 1")
	h.again(t)
	until(t, func() bool { return h.Sinks()[0].State == "paused" }, "the pause does not outlive a restart")
	if k := h.Sinks()[0]; k.State != "paused" || k.Paused == nil || !strings.Contains(k.Paused.Who, "ada") || k.Paused.Why != "the lab system is being moved" || len(got) != 0 {
		t.Errorf("after a restart: %+v, and %d arrived", k, len(got))
	}
	_, head = h.since(t, 0)
	does("lab/continue", `{"by": "ada"}`, record.KindSinkContinued)
	until(t, func() bool { return len(got) > 0 }, "what was released does not go out")
	if one := <-got; one != `?1 "`+first.ID+`"` || len(got) != 0 {
		t.Errorf("delivered %q, and %d more", one, len(got))
	}
	until(t, func() bool {
		list, err := h.DeliveriesOf(t.Context(), first.Seq)
		return err == nil && list[0].State == console.DeliveryHad && list[0].Given == "LIMS-2026-77" && list[0].GivenBy > first.Seq
	}, "what was released is not told as delivered, with the number that the lab system gave it")
	if found, err := h.ListEntries(t.Context(), url.Values{"text": {"LIMS-2026-77"}}); err != nil || len(found.Entries) != 1 || !strings.Contains(string(found.Entries[0]), first.ID) {
		t.Errorf("the lab system's number is looked for: %v %s", err, found.Entries)
	}
	if list, err := h.DeliveriesOf(t.Context(), held.Held[0].Seq); err != nil || list[0].State != console.DeliveryHeld {
		t.Errorf("what is held: %v %v", list, err)
	}
	if left, err := h.Held(t.Context(), "lab", 0, 10); err != nil || len(left.Held) != 1 || left.Held[0].Seq != held.Held[0].Seq {
		t.Errorf("held still: %v %v", left, err)
	}
	h.stop(t)
}
