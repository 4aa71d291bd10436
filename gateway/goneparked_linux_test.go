package gateway_test

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestWhatIsParkedForASinkThatIsGoneCanBeGivenUp takes a sink away for which an entry is parked: it is listed still, cannot be
// delivered, and can be given up.
func TestWhatIsParkedForASinkThatIsGoneCanBeGivenUp(t *testing.T) {
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusUnprocessableEntity) }))
	defer far.Close()
	defer http.DefaultClient.CloseIdleConnections()
	h := newHouse(t, "port-1")
	const house = `site: seed-bank
journal: {folder: journal}
page: {listen: "127.0.0.1:0"}
balances:
- {id: b-1, port: {address: DIR/port-1, speed: 115200}, layout: as.yaml, record: printed}
`
	h.start(t, house+"sinks:\n- {id: lab, kind: http, url: \""+far.URL+"\"}\n")
	defer h.stop(t)
	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(b))
	if _, err := h.cords["port-1"].Write(line(1000)); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return len(h.Sinks()) == 1 && h.Sinks()[0].Parked == 1 }, "nothing is parked")
	if list, err := h.Gone(t.Context()); err != nil || len(list) != 0 {
		t.Errorf("gone, and is there: %v %v", list, err)
	}
	if err := h.reload(t, house); err != nil {
		t.Fatal(err)
	}
	if list, err := h.Gone(t.Context()); err != nil || len(list) != 1 || list[0].ID != "lab" || list[0].Parked != 1 {
		t.Fatalf("%v %v", list, err)
	}
	for _, c := range []struct {
		route, body string
		status      int
		says        string
	}{
		{"GET /api/v1/deliveries", "", 200, `"gone":[{"id":"lab","parked":1}]`},
		{"GET /api/v1/deliveries/lab/parked", "", 200, "422"},
		{"POST /api/v1/deliveries/lab/retry", `{"all": true, "by": "ada"}`, 409, "not configured any more"},
		{"POST /api/v1/deliveries/lab/drop", `{"all": true, "by": "ada", "reason": "the lab system is gone"}`, 200, `"left":0`},
		{"GET /api/v1/deliveries/lab/parked", "", 404, "no such sink"},
		{"POST /api/v1/deliveries/lab/drop", `{"all": true, "by": "ada", "reason": "once more"}`, 404, "no such sink"},
	} {
		if status, answer := h.try(t, c.route, token, c.body); status != c.status || !strings.Contains(answer, c.says) {
			t.Errorf("%s: %d %s", c.route, status, answer)
		}
	}
}
