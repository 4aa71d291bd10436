//go:build linux

package gateway_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/proof"
)

// TestAProofOverHTTPHolds for the key of the journal, for a record that no checkpoint covered when it was asked for, and for no other
// key; and the page of the record says what stands in it, what was delivered, and what was received.
func TestAProofOverHTTPHolds(t *testing.T) {
	picky := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		if strings.Contains(string(b), `"1.002"`) {
			w.WriteHeader(http.StatusUnprocessableEntity)
		}
	}))
	defer picky.Close()
	d := newDaemon(t, daemonOptions{sinks: "- {id: folder, kind: files, folder: " + t.TempDir() + "}\n- {id: acts, kind: files, folder: " + t.TempDir() +
		", entries: [configured]}\n- {id: picky, kind: http, url: \"" + picky.URL + "\"}\n"})
	d.start(t)
	defer d.stop(t)
	defer http.DefaultClient.CloseIdleConnections()
	mustWrite(t, d, 0, append(line(1001), line(1002)...))
	until(t, func() bool { return d.Balances()[0].Recorded == 2 }, "the weighings are not recorded")
	id := d.Balances()[0].Last.ID
	file := getPage(t, d, "api/v1/proof?id="+url.QueryEscape(id))
	p, err := proof.Parse([]byte(file))
	if err != nil {
		t.Fatalf("%v: %s", err, file)
	}
	var e struct {
		ID  string
		Seq uint64
	}
	if err := json.Unmarshal(p.Entry, &e); err != nil || e.ID != id || p.Index != e.Seq-1 {
		t.Errorf("%v: %s", err, p.Entry)
	}
	text, err := os.ReadFile(filepath.Join(d.cfg.Journal.Folder, "key.pub"))
	if err != nil {
		t.Fatal(err)
	}
	key, err := proof.ParseKey(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Verify(key); err != nil {
		t.Error(err)
	}
	p.Entry = []byte(strings.Replace(string(p.Entry), "1.002", "1.003", 1))
	if _, err := p.Verify(key); err == nil {
		t.Error("a proof of another value holds")
	}
	until(t, func() bool {
		list, err := d.DeliveriesOf(t.Context(), e.Seq)
		return err == nil && len(list) == 3 && list[0].State == console.DeliveryHad && list[1].State == console.DeliveryNotWanted &&
			list[2].State == console.DeliverySetAside && strings.Contains(list[2].Why, "422") && list[2].Notice > e.Seq
	}, "what became of the record is not told")
	if list, err := d.DeliveriesOf(t.Context(), e.Seq-1); err != nil || list[2].State != console.DeliveryHad {
		t.Errorf("the record before, which was taken: %v %+v", err, list)
	}
	if list, err := d.DeliveriesOf(t.Context(), 1<<40); err != console.ErrNoEntry || list != nil {
		t.Errorf("an entry that does not exist was delivered: %v %v", list, err)
	}
	page := getPage(t, d, "weighed/"+id)
	shown, err := d.ProofOf(t.Context(), e.Seq, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{shown.Leaf, shown.Root, "1.002", "delivered", "not wanted there", "refused, parked", "As received"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %s", want)
		}
	}
	if !strings.Contains(getPage(t, d, "weighed?balance=b-1&text=1.001"), "1 entry") || !strings.Contains(getPage(t, d, "happened"), "weighpost began") {
		t.Error("the lists do not say what is there")
	}
}

// getPage asks a running daemon for something that has to be there.
func getPage(t *testing.T, d *daemon, path string) string {
	t.Helper()
	resp, err := http.Get(d.PageURL() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %d %v %.300s", path, resp.StatusCode, err, b)
	}
	return string(b)
}
