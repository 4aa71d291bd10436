package console

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"testing"
)

// Bundle makes bundles in tests: each as its name says.
func (p *press) Bundle(_ context.Context, asked BundleAsked) (Download, error) {
	d := Download{Name: "north-lab-" + asked.Run + ".bundle.zip", MediaType: "application/zip", Write: func(_ context.Context, w io.Writer) ([]byte, string, error) {
		_, err := fmt.Fprintf(w, "%+v", asked)
		return []byte(`{"of":"run"}`), "00ff", err
	}}
	switch {
	case asked.Run == "" && !asked.All:
		return d, &ExportRefused{"say what to bundle"}
	case asked.Run == "r-0":
		return d, fmt.Errorf("%w: no entry of it", ErrNothing)
	case asked.Run == "r-1":
		return d, errors.New("the disk is gone")
	}
	return d, nil
}

// TestABundleIsSentOrRefused with the status that says why.
func TestABundleIsSentOrRefused(t *testing.T) {
	h := open(t)
	for query, want := range map[string]int{"": 422, "run=r-0": 404, "run=r-1": 503, "first=-1": 422, "from=yesterday": 422, "run=r-7qx3-000017": 200, "all=true": 200} {
		resp, err := http.Get(h.base + bundlePath + "?" + query)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(resp.Body)
		resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("%q: %d %s", query, resp.StatusCode, body)
		}
	}
}
