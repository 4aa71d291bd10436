//go:build linux

package gateway_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"weighpost/gateway/record"
)

// TestWhatIsDecidedAboutDeliveriesIsOneEntry has a lab system refuse weighings, and has one delivered again, one dropped, and the sink
// tried at once. Each is one entry, with who did it.
func TestWhatIsDecidedAboutDeliveriesIsOneEntry(t *testing.T) {
	var refuses atomic.Bool
	refuses.Store(true)
	late := make(chan string, 10)
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		if refuses.Load() {
			http.Error(w, "no such lot", http.StatusUnprocessableEntity)
			return
		}
		late <- r.Header.Get("Weighpost-Late") + " " + r.Header.Get("Idempotency-Key")
	}))
	defer far.Close()
	defer http.DefaultClient.CloseIdleConnections()
	h := newHouse(t, "port-1")
	h.start(t, `site: seed-bank
journal: {folder: journal}
page: {listen: "127.0.0.1:0"}
balances:
- {id: b-1, port: {address: DIR/port-1, speed: 115200}, layout: as.yaml, record: printed}
sinks:
- {id: lab, kind: http, url: "`+far.URL+`"}
`)
	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(b))
	for i := range 2 {
		if _, err := h.cords["port-1"].Write(line(1000 + i)); err != nil {
			t.Fatal(err)
		}
	}
	until(t, func() bool { return len(h.Sinks()) == 1 && h.Sinks()[0].Parked == 2 }, "nothing is parked")
	status, answer := h.try(t, "GET /api/v1/deliveries/lab/parked", token, "")
	var list struct {
		Parked []struct {
			Seq            uint64
			ID, What, Why  string
			Since, Retried string
		}
	}
	if err := json.Unmarshal([]byte(answer), &list); err != nil || status != 200 || len(list.Parked) != 2 ||
		!strings.Contains(list.Parked[0].Why, "no such lot") || list.Parked[0].What != "1.000 g" || list.Parked[0].Since == "" {
		t.Fatalf("%d %s %v", status, answer, err)
	}
	refuses.Store(false)
	_, head := h.since(t, 0)
	for _, c := range []struct {
		path, body string
		kind       record.Kind
	}{
		{"drop", `{"entries": [` + jsonOf(list.Parked[1].Seq) + `], "reason": "a test print", "by": "ada"}`, record.KindParkedDropped},
		{"retry", `{"all": true, "reason": "the lot is known", "by": "ada"}`, record.KindParkedRetried},
		{"try-now", `{"by": "ada"}`, record.KindSinkTried},
	} {
		if status, answer := h.try(t, "POST /api/v1/deliveries/lab/"+c.path, token, c.body); status != 200 {
			t.Fatalf("%s: %d %s", c.path, status, answer)
		}
		var entries []deedEntry
		until(t, func() bool { entries, _ = h.since(t, head); return len(entries) > 0 }, c.path+" leaves no entry")
		h.judge(t, c.path, act{kind: c.kind}, entries)
		head = entries[len(entries)-1].Seq
	}
	until(t, func() bool { return h.Sinks()[0].Parked == 0 && h.Sinks()[0].Lag == 0 }, "it is not delivered again")
	if got := <-late; got != `?1 "`+list.Parked[0].ID+`"` || len(late) != 0 {
		t.Errorf("delivered %q, and %d more", got, len(late))
	}
	if status, answer := h.try(t, "POST /api/v1/deliveries/lab/retry", token, `{"all": true, "by": "ada"}`); status != http.StatusConflict {
		t.Errorf("nothing is parked: %d %s", status, answer)
	}
	h.stop(t)
}

func jsonOf(v any) string {
	b, _ := json.Marshal(v)
	return string(b)
}
