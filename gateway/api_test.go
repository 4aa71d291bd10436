//go:build linux

package gateway_test

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/record"
)

// change sends a change of b-1's context to the running daemon, with a token.
func change(t *testing.T, d *daemon, method, token, body string) (int, string) {
	t.Helper()
	status, answer := call(t, d.Gateway, method, "b-1/context", token, body)
	return status, string(answer)
}

// call sends a request below the balances to the API of a running daemon.
func call(t *testing.T, g *gateway.Gateway, method, path, token, body string) (status int, answer []byte) {
	t.Helper()
	return request(t, g, method, "api/v1/balances/"+path, token, body)
}

// request sends a request to a running daemon. No token, and no body, where it is "".
func request(t *testing.T, g *gateway.Gateway, method, path, token, body string) (status int, answer []byte) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, g.PageURL()+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	if _, hash := g.Settings(); strings.Contains(path, "/settings") {
		req.Header.Set("If-Match", `"`+hash+`"`)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if answer, err = io.ReadAll(resp.Body); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, answer
}

// TestAContextSetOverHTTPGoesToTheWeighing: with the token that the daemon made, and without it not.
func TestAContextSetOverHTTPGoesToTheWeighing(t *testing.T) {
	d := newDaemon(t, daemonOptions{})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	b, err := os.ReadFile(filepath.Join(d.cfg.Journal.Folder, "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	token := strings.TrimSpace(string(b))
	const both = `{"person": {"id": "p-07"}, "sample": {"id": "LOT-1003", "uses": 1}}`
	if status, answer := change(t, d, "PUT", "not-"+token, both); status != 401 {
		t.Errorf("with another token: %d %s", status, answer)
	}
	mustWrite(t, d, 0, line(1001))
	until(t, func() bool { return d.Balances()[0].Recorded == 1 }, "the first weighing is not recorded")
	if status, answer := change(t, d, "PUT", token, both); status != 200 || !strings.Contains(answer, "LOT-1003") {
		t.Fatalf("%d %s", status, answer)
	}
	time.Sleep(200 * time.Millisecond) // the line takes longer on its way from a balance than through a pseudo-terminal
	for i := range 2 {
		mustWrite(t, d, 0, line(1002+i))
		until(t, func() bool { return d.Balances()[0].Recorded == uint64(i+2) }, "a weighing is not recorded")
	}
	if status, answer := change(t, d, "DELETE", token, ""); status != 200 || !strings.Contains(answer, `"items":[]`) {
		t.Errorf("%d %s", status, answer)
	}
	mustWrite(t, d, 0, line(1004))
	until(t, func() bool { return d.Balances()[0].Recorded == 4 }, "the last weighing is not recorded")
	d.stop(t)

	id := func(l *record.Learnt) string {
		if l == nil {
			return "none"
		}
		return l.ID + " " + l.By
	}
	var got []string
	for _, w := range weighings(t, d) {
		got = append(got, id(w.Context.Person)+", "+id(w.Context.Sample))
	}
	want := "none, none; p-07 sent, LOT-1003 sent; p-07 sent, none; none, none"
	if text := strings.Join(got, "; "); text != want {
		t.Errorf("%s, want %s", text, want)
	}
}

// TestATokenThatOthersMayReadIsRefusedAndRecordingGoesOn: a file with the wrong permissions costs the API its changes, and
// the lab no weighing.
func TestATokenThatOthersMayReadIsRefusedAndRecordingGoesOn(t *testing.T) {
	d := newDaemon(t, daemonOptions{})
	path := filepath.Join(d.cfg.Journal.Folder, "api.token")
	token := strings.Repeat("k", 43)
	if err := os.MkdirAll(d.cfg.Journal.Folder, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(token), 0o644); err != nil {
		t.Fatal(err)
	}
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	if !d.holds("token-refused") {
		t.Errorf("nothing is said: %+v", d.Conditions())
	}
	if status, answer := change(t, d, "PUT", token, `{"sample": {"id": "x"}}`); status != 401 {
		t.Errorf("%d %s", status, answer)
	}
	mustWrite(t, d, 0, line(1001))
	until(t, func() bool { return d.Balances()[0].Recorded == 1 }, "the weighing is not recorded")
	d.stop(t)
}
