//go:build linux

package gateway_test

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/journal"
	"weighpost/gateway/once"
	"weighpost/gateway/record"
)

// postOnce sends a request with a key.
func (h *house) postOnce(t *testing.T, path, key, body string) (int, string) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	req, err := http.NewRequestWithContext(t.Context(), "POST", h.PageURL()+"api/v1/"+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(b)))
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", `"`+key+`"`)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(answer)
}

// TestEachActHasTheMarkOfItsRequest: each route that takes a key leaves an entry with the mark, so that the journal alone knows that
// it was done, also when the answers are lost.
func TestEachActHasTheMarkOfItsRequest(t *testing.T) {
	h := newHouse(t, "port-1")
	balance := &obedient{says: string(line(12345))}
	go balance.serve(h.cords["port-1"])
	h.start(t, asked+"backup: {folder: "+t.TempDir()+"}\n")
	defer http.DefaultClient.CloseIdleConnections()
	paths := map[string]string{}
	for route, a := range acts {
		path, is := strings.CutPrefix(route, "POST /api/v1/")
		if !is || a.notHere != "" {
			continue
		}
		path = strings.NewReplacer("{id}", "b-1", "{name}", "tare").Replace(path)
		status, body := h.postOnce(t, path, "key-of "+route, a.body)
		if status == http.StatusBadRequest && strings.Contains(body, "No key can be sent here") {
			continue // it does not count there, and that is said
		}
		if status != http.StatusOK {
			t.Errorf("%s: %d %s", route, status, body)
			continue
		}
		paths[route] = path
		if status, again := h.postOnce(t, path, "key-of "+route, a.body); status != http.StatusOK || again != body {
			t.Errorf("%s again: %d %s", route, status, again)
		}
	}
	if len(paths) < 7 || paths["POST /api/v1/reports"] == "" {
		t.Fatalf("only %v take a key", paths)
	}
	h.stop(t)
	if err := os.Remove(filepath.Join(h.dir, "journal", once.FileName)); err != nil {
		t.Fatal(err)
	}
	h.start(t, asked+"backup: {folder: "+t.TempDir()+"}\n")
	for route, path := range paths {
		status, body := h.postOnce(t, path, "key-of "+route, acts[route].body)
		if status != http.StatusConflict || !strings.Contains(body, "carried-out") {
			t.Errorf("%s, with its answer lost: %d %s", route, status, body)
		}
		if status, body := h.postOnce(t, path, "key-of "+route, acts[route].body+" "); status != http.StatusUnprocessableEntity {
			t.Errorf("%s, with another body: %d %s", route, status, body)
		}
	}
	h.stop(t)
	marks := map[string]int{}
	err := journal.Scan(t.Context(), filepath.Join(h.dir, "journal"), 0, func(e record.Entry) error {
		if _, rest, found := strings.Cut(string(e.JSON), `"request_mark":"`); found {
			marks[rest[:strings.IndexByte(rest, '"')]]++
		}
		return nil
	})
	if err != nil || len(marks) != len(paths) {
		t.Errorf("%d marks of %d requests: %v", len(marks), len(paths), err)
	}
}
