//go:build linux

package gateway_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway"
	"weighpost/gateway/bundle"
	"weighpost/gateway/console"
	"weighpost/gateway/needs"
	"weighpost/gateway/proof"
)

// TestABundleOverHTTPVerifiesAlone: what a daemon that records sends is verified with its public key and nothing else.
func TestABundleOverHTTPVerifiesAlone(t *testing.T) {
	t.Parallel()
	d := newDaemon(t, daemonOptions{})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	for n := range 5 {
		if _, err := d.cords[0].Write(line(12345 + n)); err != nil {
			t.Fatal(err)
		}
	}
	until(t, func() bool { return d.Balances()[0].Recorded == 5 }, "not everything is recorded")
	key := publicKeyOf(t, d.cfg.Journal.Folder)
	for query, of := range map[string]string{"all=true": bundle.OfAll, "first=2&last=4": bundle.OfSpan, "from=2020-01-01T00:00:00Z": bundle.OfSpan} {
		status, body, name := d.askBundle(t, query)
		f, err := bundle.Verify(context.Background(), bytes.NewReader(body), int64(len(body)), key, "another")
		if status != 200 || err != nil || !f.Valid || f.About.Of != of || !strings.HasPrefix(name, `attachment; filename="seed-bank-`) {
			t.Errorf("%s: %d %v %+v %s", query, status, err, f, name)
		}
	}
	for query, want := range map[string]int{"": 422, "all=true&run=r-1": 422, "run=r-none-000001": 404, "from=2090-01-01T00:00:00Z": 404, "first=900000": 404} {
		if status, body, _ := d.askBundle(t, query); status != want {
			t.Errorf("%q: %d %s", query, status, body)
		}
	}
	if status, body := fetchOf(t, d.PageURL()+"api/v1/statistics?by=sample"); status != 200 || !strings.Contains(body, `"groups":[]`) || !strings.Contains(body, `"runs":0`) {
		t.Errorf("statistics without runs: %d %s", status, body)
	}
	d.stop(t)
}

// askBundle asks for a bundle, and gives the name of its file too.
func (d *daemon) askBundle(t *testing.T, query string) (status int, body []byte, name string) {
	t.Helper()
	resp, err := http.Get(d.PageURL() + "api/v1/bundle?" + query)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if body, err = io.ReadAll(resp.Body); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, body, resp.Header.Get("Content-Disposition")
}

// publicKeyOf is the key of a journal, as somebody keeps it.
func publicKeyOf(t *testing.T, folder string) note.Verifier {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(folder, "key.pub"))
	if err != nil {
		t.Fatal(err)
	}
	key, err := proof.ParseKey(string(text))
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// TestABundleIsMadeOnADiskThatIsFull: what was signed before can be taken away while the journal cannot be written; of what nobody has signed yet
// it is said in a sentence, and nothing is sent.
func TestABundleIsMadeOnADiskThatIsFull(t *testing.T) {
	dir := needs.SmallDisk(t, "size=4m")
	d := newDaemon(t, daemonOptions{journal: dir})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	prints := func(n int) {
		t.Helper()
		before := d.Balances()[0].Recorded
		for i := range n {
			mustWrite(t, d, 0, line(12345+i))
		}
		until(t, func() bool { return d.Balances()[0].Recorded == before+uint64(n) }, "not everything is recorded")
	}
	prints(3)
	status, signed, _ := d.askBundle(t, "all=true")
	key := publicKeyOf(t, dir)
	f, err := bundle.Verify(t.Context(), bytes.NewReader(signed), int64(len(signed)), key, gateway.Version())
	if status != 200 || err != nil || !f.Valid {
		t.Fatalf("%d %v %+v", status, err, f)
	}
	prints(5)
	needs.Fill(t, dir)
	status, body, _ := d.askBundle(t, "all=true")
	g, err := bundle.Verify(t.Context(), bytes.NewReader(body), int64(len(body)), key, gateway.Version())
	if status != 200 || err != nil || !g.Valid || g.About.Entries < f.About.Entries {
		t.Errorf("of what was signed: %d %v %+v %.300s", status, err, g, body)
	}
	status, body, _ = d.askBundle(t, fmt.Sprintf("first=1&last=%d", f.About.Last+5))
	t.Logf("%d entries were signed, then %d; of all that are recorded: %d %.400s", f.About.Entries, g.About.Entries, status, body)
	if status != 503 || !strings.Contains(string(body), "No checkpoint covers entry") || !strings.Contains(string(body), "try again then. It cannot be signed now: ") {
		t.Errorf("of what is not: %d %.300s", status, body)
	}
	remount(t, dir, "size=16m")
	until(t, func() bool {
		status, _, _ := d.askBundle(t, "all=true")
		return status == 200 && !d.holds("recording-stopped")
	}, "it does not go on with room again")
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
	f, err := bundle.Verify(t.Context(), bytes.NewReader(b), int64(len(b)), publicKeyOf(t, h.Config().Journal.Folder), gateway.Version())
	if err != nil || !f.Valid || f.About.Own < 8 || f.About.Entries < f.About.Own+2 { // the procedure, and the configuration with the layout
		t.Errorf("%v %+v", err, f)
	}
	var v console.StatisticsView
	h.ask(t, "GET", "statistics?by=balance&procedure=net", "", 200, &v)
	if v.Runs != 1 || v.Abandoned != 1 || len(v.Groups) != 1 || v.Groups[0].Mean != "2.34500" || v.Groups[0].Of != "b-1" || v.Groups[0].Points[0].Run != run || v.Groups[0].Excluded != 0 {
		t.Errorf("%+v", v)
	}
}
