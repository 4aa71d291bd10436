package gateway_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// TestABalanceOutOfServiceAndWhatFollows: a balance is taken out of service. What it prints is recorded and marked, goes to no destination,
// whatever its rules are, and to no program at the tap; it is listed with the reason, and goes out, late, once somebody releases it, though the
// balance is in service again by then. A weight is not recorded on request. All of that holds over a restart.
func TestABalanceOutOfServiceAndWhatFollows(t *testing.T) {
	t.Parallel() // it mostly waits
	var mu sync.Mutex
	var got []string
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		mu.Lock()
		defer mu.Unlock()
		got = append(got, r.Header.Get("Weighpost-Late")+" "+r.Header.Get("Idempotency-Key"))
	}))
	defer far.Close()
	defer http.DefaultClient.CloseIdleConnections()
	arrived := func() []string {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(got)
	}
	address := needs.FreeAddress(t)
	h := newHouse(t, "port-1")
	h.start(t, fmt.Sprintf(`site: seed-bank
journal: {folder: journal}
page: {listen: "127.0.0.1:0"}
fitness: {unfit: refuse}
balances:
- {id: b-1, port: {address: DIR/port-1, speed: 115200}, layout: as.yaml, record: printed, tap: {listen: %q}, ask: {send: "Q"}}
sinks:
- {id: lab, kind: http, url: %q}
`, address, far.URL))
	by := record.Actor{ID: "ada", By: record.ActorHost}
	if err := h.TakeOutOfService(t.Context(), "b-1", "it was dropped", by); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return slices.ContainsFunc(h.Conditions(), isOut) }, "the condition is not raised")
	h.program(t, address)
	h.prints(t, "port-1", line(1001))
	until(t, func() bool { return h.Balances()[0].Recorded == 1 }, "it is not recorded")
	h.again(t)
	until(t, func() bool { return slices.ContainsFunc(h.Conditions(), isOut) }, "a restart forgets the condition")
	program := bufio.NewReader(h.program(t, address))
	h.prints(t, "port-1", line(1002))
	until(t, func() bool { return h.Balances()[0].Recorded == 1 }, "it is not recorded after the restart")

	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(b))
	if status, answer := h.try(t, "POST /api/v1/balances/b-1/read", token, `{"record": true}`); status != http.StatusConflict ||
		!strings.Contains(answer, "Balance b-1 is out of service (it was dropped)") || !strings.Contains(answer, "can still show a weight") {
		t.Errorf("a weight on request: %d %s", status, answer)
	}
	list, err := h.ListEntries(t.Context(), url.Values{"kind": {"weighing"}})
	if err != nil || len(list.Entries) != 2 {
		t.Fatalf("%v %s", err, list.Entries)
	}
	for _, raw := range list.Entries {
		var w record.Weighing
		if err := json.Unmarshal(raw, &w); err != nil || w.Fitness.State != record.OutOfService || !w.Fitness.Held {
			t.Errorf("%v: %s", err, raw)
		}
	}
	var held console.HeldList
	until(t, func() bool {
		held, err = h.Held(t.Context(), "lab", 0, 10)
		return err == nil && len(held.Held) == 2
	}, "what is held is not listed")
	first := held.Held[1]
	if first.What != "1.001 g" || first.Why != "balance out of service" {
		t.Errorf("%+v", first)
	}
	if p, err := h.Preview(t.Context(), "lab", first.ID); err != nil || !strings.Contains(p.NotWanted, "out of service") {
		t.Errorf("the preview says %q %v", p.NotWanted, err)
	}
	if d, err := h.DeliveriesOf(t.Context(), first.Seq); err != nil || d[0].State != console.DeliveryHeld || !strings.Contains(d[0].Why, "out of service") {
		t.Errorf("%+v %v", d, err)
	}

	if err := h.PutIntoService(t.Context(), "b-1", "adjusted and checked by hand", by); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return !slices.ContainsFunc(h.Conditions(), isOut) }, "the condition stays")
	h.prints(t, "port-1", line(1003))
	if text, err := program.ReadString('\n'); err != nil || text != string(line(1003)) {
		t.Errorf("the program got %q %v, and it is to get nothing of a balance that is out of service", text, err)
	}
	until(t, func() bool { return len(arrived()) == 1 }, "what is weighed in service does not go out")
	if one := arrived()[0]; strings.HasPrefix(one, "?1") || strings.Contains(one, first.ID) {
		t.Errorf("delivered %s", one)
	}
	if _, err := h.Release(t.Context(), by, []uint64{first.Seq}, nil, "weighed again, and it agrees"); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return len(arrived()) == 2 }, "what was released does not go out")
	if one := arrived()[1]; one != `?1 "`+first.ID+`"` {
		t.Errorf("delivered %s, want %s, late", one, first.ID)
	}
	time.Sleep(50 * time.Millisecond)
	if n := len(arrived()); n != 2 {
		t.Errorf("%d were delivered", n)
	}
	h.stop(t)
}

func isOut(c health.Condition) bool { return c.Code == health.OutOfService && c.Subject == "b-1" }
