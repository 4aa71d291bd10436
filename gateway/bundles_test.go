//go:build linux

package gateway_test

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway"
	"weighpost/gateway/bundle"
	"weighpost/gateway/console"
	"weighpost/gateway/proof"
)

// TestABundleOverHTTPVerifiesAlone: what a daemon that records sends is verified with its public key and nothing else.
func TestABundleOverHTTPVerifiesAlone(t *testing.T) {
	d := newDaemon(t, daemonOptions{})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	for n := range 5 {
		if _, err := d.cords[0].Write(line(12345 + n)); err != nil {
			t.Fatal(err)
		}
	}
	until(t, func() bool { return d.Balances()[0].Recorded == 5 }, "not everything is recorded")
	ask := func(query string) (int, []byte, string) {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.PageURL()+"api/v1/bundle?"+query, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, body, resp.Header.Get("Content-Disposition")
	}
	text, err := os.ReadFile(filepath.Join(d.cfg.Journal.Folder, "key.pub"))
	if err != nil {
		t.Fatal(err)
	}
	key, err := proof.ParseKey(string(text))
	if err != nil {
		t.Fatal(err)
	}
	for query, of := range map[string]string{"all=true": bundle.OfAll, "first=2&last=4": bundle.OfSpan, "from=2020-01-01T00:00:00Z": bundle.OfSpan} {
		status, body, name := ask(query)
		f, err := bundle.Verify(context.Background(), bytes.NewReader(body), int64(len(body)), key, "another")
		if status != 200 || err != nil || !f.Valid || f.About.Of != of || !strings.HasPrefix(name, `attachment; filename="seed-bank-`) {
			t.Errorf("%s: %d %v %+v %s", query, status, err, f, name)
		}
	}
	for query, want := range map[string]int{"": 422, "all=true&run=r-1": 422, "run=r-none-000001": 404, "from=2090-01-01T00:00:00Z": 404, "first=900000": 404} {
		if status, body, _ := ask(query); status != want {
			t.Errorf("%q: %d %s", query, status, body)
		}
	}
	if status, body := fetchOf(t, d.PageURL()+"api/v1/statistics?by=sample"); status != 200 || !strings.Contains(body, `"groups":[]`) || !strings.Contains(body, `"runs":0`) {
		t.Errorf("statistics without runs: %d %s", status, body)
	}
	d.stop(t)
}

// fetchOf reads an address.
func fetchOf(t *testing.T, address string) (int, string) {
	t.Helper()
	resp, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

// leavesWith has a run of a result of 2.345 g that ended, with another one that was abandoned after it, bundled and counted.
func (h *house) leavesWith(t *testing.T, run string) {
	t.Helper()
	b := []byte(h.ask(t, "GET", "bundle?run="+run, "", 200, nil))
	text, err := os.ReadFile(filepath.Join(h.Config().Journal.Folder, "key.pub"))
	if err != nil {
		t.Fatal(err)
	}
	key, err := proof.ParseKey(string(text))
	if err != nil {
		t.Fatal(err)
	}
	f, err := bundle.Verify(t.Context(), bytes.NewReader(b), int64(len(b)), key, gateway.Version())
	if err != nil || !f.Valid || f.About.Own < 8 || f.About.Entries < f.About.Own+2 { // the procedure, and the configuration with the layout
		t.Errorf("%v %+v", err, f)
	}
	var v console.StatisticsView
	h.ask(t, "GET", "statistics?by=balance&procedure=net", "", 200, &v)
	if v.Runs != 1 || v.Abandoned != 1 || len(v.Groups) != 1 || v.Groups[0].Mean != "2.34500" || v.Groups[0].Of != "b-1" || v.Groups[0].Points[0].Run != run || v.Groups[0].Excluded != 0 {
		t.Errorf("%+v", v)
	}
}
