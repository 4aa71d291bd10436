package screens

import (
	"io"
	"net/http"
	"strings"
	"testing"
)

// TestAnAddressThatThereIsNotLeadsOn: people get a page that leads to the balances, programs a problem document.
func TestAnAddressThatThereIsNotLeadsOn(t *testing.T) {
	base := openRegister(t).serve(t)
	for _, c := range []struct{ path, accept, kind, says string }{
		{"/no-such-page", "text/html,*/*;q=0.8", "text/html; charset=utf-8", `<a href="/">To the balances</a>`},
		{"/no-such-page", "", "application/problem+json", `"status":404`},
		{"/api/v1/no-such-route", "text/html", "application/problem+json", `"status":404`},
	} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, base+c.path, nil)
		if err != nil {
			t.Fatal(err)
		}
		if c.accept != "" {
			req.Header.Set("Accept", c.accept)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusNotFound || resp.Header.Get("Content-Type") != c.kind || !strings.Contains(string(body), c.says) {
			t.Errorf("%s asked for %q: %s %s %.400s", c.path, c.accept, resp.Status, resp.Header.Get("Content-Type"), body)
		}
	}
}
