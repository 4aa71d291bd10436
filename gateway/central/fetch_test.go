package central_test

import (
	"encoding/base64"
	"encoding/pem"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/central"
)

func decode(t *testing.T, text string) string {
	t.Helper()
	b, err := base64.StdEncoding.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestFetchTrustsNobody: an https server whose certificate is vouched for, what it may answer, and that an unchanged file is not sent again.
func TestFetchTrustsNobody(t *testing.T) {
	answer := func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("the file")) }
	full := 0
	server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { answer(w, r) }))
	defer server.Close()
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("a redirect was followed") }))
	defer elsewhere.Close()
	ca := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	var s central.Source
	fetch := func() (string, error) {
		b, err := s.Fetch(t.Context(), central.Config{From: server.URL + "/a", CAFile: ca})
		return string(b), err
	}
	if _, err := new(central.Source).Fetch(t.Context(), central.Config{From: server.URL}); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("a server that nobody vouches for: %v", err)
	}
	if b, err := fetch(); err != nil || b != "the file" {
		t.Fatal(b, err)
	}
	answer = func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("If-None-Match") == `"1"` {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		full++
		w.Header().Set("ETag", `"1"`)
		_, _ = w.Write([]byte("another"))
	}
	for range 3 {
		if b, err := fetch(); err != nil || b != "another" || full != 1 {
			t.Fatal(b, err, full)
		}
	}
	for want, a := range map[string]func(w http.ResponseWriter, r *http.Request){
		"sends the request elsewhere (302)": func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, elsewhere.URL, http.StatusFound) },
		"answered 404 Not Found":            http.NotFound,
		"larger than":                       func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(make([]byte, central.MaxSize+1)) },
		"did not come whole": func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Length", "100")
			_, _ = w.Write([]byte("cut off"))
		},
	} {
		answer = a
		if b, err := fetch(); b != "" || err == nil || !strings.Contains(err.Error(), want) || errors.Is(err, central.ErrTooLarge) != (want == "larger than") {
			t.Errorf("%q %v, want %s", b, err, want)
		}
	}
}

// TestFetchReadsPlainFiles, as far as they are short.
func TestFetchReadsPlainFiles(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "a.settings")
	var s central.Source
	for _, c := range []struct {
		size int
		want string
	}{{-1, "cannot be read"}, {5, ""}, {central.MaxSize, ""}, {central.MaxSize + 1, "larger than"}} {
		if c.size >= 0 {
			if err := os.WriteFile(name, make([]byte, c.size), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		b, err := s.Fetch(t.Context(), central.Config{From: name})
		if c.want == "" && (err != nil || len(b) != c.size) || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%d bytes: %d, %v", c.size, len(b), err)
		}
	}
	if _, err := s.Fetch(t.Context(), central.Config{From: dir}); err == nil || !strings.Contains(err.Error(), "no plain file") {
		t.Errorf("a folder: %v", err)
	}
}
