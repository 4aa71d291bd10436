//go:build linux

package gateway_test

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
)

// askAPI sends a request to the API of a running daemon.
func askAPI(t *testing.T, d *daemon, method, path, token, body string) (int, string) {
	t.Helper()
	status, answer := request(t, d.Gateway, method, "api/v1/"+path, token, body)
	return status, string(answer)
}

// TestTheTrailIsReadAndReviewedOverHTTP: lists, one entry, a review, what is new since then, and what is refused.
func TestTheTrailIsReadAndReviewedOverHTTP(t *testing.T) {
	t.Parallel()
	d := newDaemon(t, daemonOptions{})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	b, err := os.ReadFile(filepath.Join(d.cfg.Journal.Folder, "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(b))
	mustWrite(t, d, 0, append(line(1001), line(1002)...))
	until(t, func() bool { return d.Balances()[0].Recorded == 2 }, "the weighings are not recorded")
	type entries struct {
		Entries       []json.RawMessage
		Next          string
		Indexed, Head uint64
		Count         uint64
	}
	list := func(query string, want int) (l entries) {
		t.Helper()
		status, body := askAPI(t, d, "GET", "entries?"+query, "", "")
		if err := json.Unmarshal([]byte(body), &l); status != 200 || err != nil || len(l.Entries) != want {
			t.Fatalf("%s: %d %v %s", query, status, err, body)
		}
		return l
	}
	first := list("kind=weighing&limit=1&sort=-time&count=true", 1)
	if first.Count != 2 || first.Next == "" || !strings.Contains(string(first.Entries[0]), `"1.002"`) {
		t.Errorf("%+v", first)
	}
	mustWrite(t, d, 0, line(1003))
	until(t, func() bool { return d.Balances()[0].Recorded == 3 }, "a weighing is not recorded")
	second := list("kind=weighing&limit=1&sort=-time&cursor="+first.Next, 1)
	if second.Next != "" || !strings.Contains(string(second.Entries[0]), `"1.001"`) {
		t.Errorf("the second page shifted: %s", second.Entries[0])
	}
	w, err := record.ParseEntry(second.Entries[0])
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{w.ID, strings.Replace(w.ID, "b-1/000001", "@/000002", 1)} {
		if status, body := askAPI(t, d, "GET", "entry?id="+id, "", ""); status != 200 || !strings.Contains(body, `"id":"`+id+`"`) {
			t.Errorf("%s: %d %s", id, status, body)
		}
	}
	for _, id := range []string{"x", w.ID + "0", "seed-bank/zzzzz/@/000001", "a/b/c/d", "%00/1/@/9999999"} {
		if status, body := askAPI(t, d, "GET", "entry?id="+id, "", ""); status != 404 {
			t.Errorf("%s: %d %s", id, status, body)
		}
	}
	status, body := askAPI(t, d, "POST", "trail/reviews", token, `{"by": "ada", "findings": "Nothing unusual."}`)
	if status != 200 || !strings.Contains(body, `"findings":"Nothing unusual."`) {
		t.Fatalf("%d %s", status, body)
	}
	if since := list("since_review=true", 1); !strings.Contains(string(since.Entries[0]), "trail-reviewed") {
		t.Errorf("what is new is %s", since.Entries[0])
	}
	list("person=ada", 1)
	if status, body := askAPI(t, d, "GET", "trail/reviews", "", ""); status != 200 || strings.Count(body, "Nothing unusual.") != 1 {
		t.Errorf("%d %s", status, body)
	}
	for query, want := range map[string]int{"text=%22*%22": 422, "text=NEAR(%22a%27;--": 200, "cursor=x": 422, "limit=1001": 422, "colour=red": 422, "since_review=7": 422, "text=%00a%00": 200, "person=%ff": 200} {
		if status, body := askAPI(t, d, "GET", "entries?"+query, "", ""); status != want {
			t.Errorf("%s: %d %s", query, status, body)
		}
	}
	d.stop(t)
}

// TestTheIndexIsMadeAnewBesideRecording: deleted or spoilt while the daemon runs, it comes up again, and what was shown of
// it goes.
func TestTheIndexIsMadeAnewBesideRecording(t *testing.T) {
	t.Parallel()
	d := newDaemon(t, daemonOptions{})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	name := filepath.Join(d.cfg.Journal.Folder, index.FileName)
	covered := func(n uint64) func() bool {
		return func() bool {
			_, body := askAPI(t, d, "GET", "entries?kind=weighing&limit=1", "", "")
			var l struct{ Indexed uint64 }
			return json.Unmarshal([]byte(body), &l) == nil && l.Indexed >= n
		}
	}
	for i := range 600 {
		mustWrite(t, d, 0, line(1000+i))
		if i%100 == 99 {
			until(t, func() bool { return d.Balances()[0].Recorded == uint64(i+1) }, "weighings are not recorded")
		}
	}
	until(t, covered(512), "the index does not come up")
	if err := os.WriteFile(name, []byte(strings.Repeat("rubbish", 10_000)), 0o600); err != nil {
		t.Fatal(err)
	}
	until(t, covered(512), "the index does not come up again")
	if d.holds(health.IndexBehind) {
		t.Error("it is said to be behind")
	}
	limit := time.Now().Add(time.Minute)
	if err := os.Remove(name); err != nil {
		t.Fatal(err)
	}
	for !covered(512)() && time.Now().Before(limit) {
		time.Sleep(100 * time.Millisecond)
	}
	if !covered(512)() {
		t.Error("the index does not come up again after it was deleted")
	}
	d.stop(t)
}
