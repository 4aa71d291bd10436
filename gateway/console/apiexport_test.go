package console

import (
	"context"
	"encoding/base64"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"
)

// press makes exports in tests: each as its name says.
type press struct {
	began, ended chan struct{}
	long         time.Duration
}

func newPress() *press {
	return &press{began: make(chan struct{}, 10), ended: make(chan struct{}, 10), long: 11 * time.Second}
}

func (p *press) ExportParameters() []ExportParameter {
	return []ExportParameter{{Name: "format", About: "The form.", Required: true, Values: []string{"csv", "pdf"}}, {Name: "text", About: "Words."}}
}

func (p *press) Export(_ context.Context, r url.Values) (Download, error) {
	d := Download{Name: "north-lab.csv", MediaType: "text/csv"}
	switch r.Get("text") {
	case "refused":
		return d, &ExportRefused{"from is no time"}
	case "fails":
		d.Write = func(context.Context, io.Writer) ([]byte, string, error) {
			return nil, "", errors.New("entry 7 is damaged")
		}
	case "breaks":
		d.Write = func(_ context.Context, w io.Writer) ([]byte, string, error) {
			w.Write([]byte(strings.Repeat("x", 1<<20)))
			return nil, "", errors.New("entry 7 is damaged")
		}
	case "waits":
		d.Write = func(ctx context.Context, w io.Writer) ([]byte, string, error) {
			w.Write([]byte("x"))
			p.began <- struct{}{}
			<-ctx.Done()
			p.ended <- struct{}{}
			return nil, "", ctx.Err()
		}
	case "slow":
		d.Write = func(_ context.Context, w io.Writer) ([]byte, string, error) {
			for end := time.Now().Add(p.long); time.Now().Before(end); time.Sleep(250 * time.Millisecond) {
				if _, err := w.Write([]byte(strings.Repeat("x", 8<<10))); err != nil {
					return nil, "", err
				}
			}
			_, err := w.Write([]byte("end"))
			return nil, "", err
		}
	default:
		d.Write = func(_ context.Context, w io.Writer) ([]byte, string, error) {
			_, err := w.Write([]byte("utc,seq\r\n"))
			return []byte(`{"file":"north-lab.csv"}`), "00ff", err
		}
	}
	return d, nil
}

// get asks for an export, and does not read the answer.
func get(t *testing.T, ctx context.Context, h *house, text string) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, h.base+exportPath+"?format=csv&text="+text, nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { resp.Body.Close() })
	return resp
}

// TestAnExportComesWithItsManifestAfterIt as RFC 9110, section 6.5 has it: in trailer fields.
func TestAnExportComesWithItsManifestAfterIt(t *testing.T) {
	h := open(t)
	resp := get(t, t.Context(), h, "")
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != 200 || string(body) != "utc,seq\r\n" || resp.Header.Get("Content-Type") != "text/csv" ||
		resp.Header.Get("Content-Disposition") != `attachment; filename="north-lab.csv"` || resp.Header.Get("Cache-Control") != "no-store" {
		t.Errorf("%v %d %q %v", err, resp.StatusCode, body, resp.Header)
	}
	manifest, err := base64.StdEncoding.DecodeString(strings.Trim(resp.Trailer.Get("Weighpost-Manifest"), ":"))
	if err != nil || string(manifest) != `{"file":"north-lab.csv"}` || resp.Trailer.Get("Repr-Digest") != "sha-256=:AP8=:" {
		t.Errorf("%q %v %v", manifest, err, resp.Trailer)
	}
}

// TestAnExportThatFailsIsNeverTakenForWhole: before its first byte it is a problem, after it the answer is cut off.
func TestAnExportThatFailsIsNeverTakenForWhole(t *testing.T) {
	h := open(t)
	for text, want := range map[string]int{"refused": 422, "fails": 503} {
		resp := get(t, t.Context(), h, text)
		body, _ := io.ReadAll(resp.Body)
		if resp.StatusCode != want || resp.Header.Get("Content-Type") != "application/problem+json" || resp.Header.Get("Content-Disposition") != "" {
			t.Errorf("%s: %d %v %s", text, resp.StatusCode, resp.Header, body)
		}
	}
	resp := get(t, t.Context(), h, "breaks")
	if b, err := io.ReadAll(resp.Body); err == nil || resp.StatusCode != 200 || len(b) == 0 || resp.Trailer.Get("Weighpost-Manifest") != "" {
		t.Errorf("an export that broke off came to a good end: %d bytes, %v, %v", len(b), err, resp.Trailer)
	}
}

// TestOnlySoManyExportsRunAtOnce and each ends when its client goes.
func TestOnlySoManyExportsRunAtOnce(t *testing.T) {
	h := open(t)
	ctx, gone := context.WithCancel(t.Context())
	for range exportLimit {
		go func() {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, h.base+exportPath+"?format=csv&text=waits", nil)
			if err == nil {
				if resp, err := http.DefaultClient.Do(req); err == nil {
					io.Copy(io.Discard, resp.Body)
					resp.Body.Close()
				}
			}
		}()
	}
	for range exportLimit {
		<-h.press.began
	}
	if resp := get(t, t.Context(), h, ""); resp.StatusCode != 503 || resp.Header.Get("Retry-After") == "" {
		t.Errorf("one more is answered with %d", resp.StatusCode)
	}
	gone()
	for range exportLimit {
		<-h.press.ended
	}
	for limit := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		resp := get(t, t.Context(), h, "")
		if resp.StatusCode == 200 {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("after they have ended: %d", resp.StatusCode)
		}
	}
}

// TestAnExportMayTakeLongerThanAnotherAnswer while it moves.
func TestAnExportMayTakeLongerThanAnotherAnswer(t *testing.T) {
	t.Parallel()
	h := open(t)
	resp := get(t, t.Context(), h, "slow")
	if b, err := io.ReadAll(resp.Body); err != nil || !strings.HasSuffix(string(b), "end") {
		t.Errorf("%d bytes after %v: %v", len(b), h.press.long, err)
	}
}
