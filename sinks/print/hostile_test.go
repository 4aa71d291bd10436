package print

import (
	"errors"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// TestAPrinterThatIsNotTrustedOrSwitches: a certificate that nobody vouches for needs a person, and a printer that answers 101 and hands
// over the bare connection is not waited for.
func TestAPrinterThatIsNotTrustedOrSwitches(t *testing.T) {
	over := make(chan struct{})
	switching := http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		_, _ = io.Copy(io.Discard, req.Body)
		c, _, err := w.(http.Hijacker).Hijack()
		if err != nil {
			return
		}
		_, _ = io.WriteString(c, "HTTP/1.1 101 Switching Protocols\r\nConnection: Upgrade\r\nUpgrade: other\r\n\r\n")
		<-over
		c.Close()
	})
	plain, secure := httptest.NewServer(switching), httptest.NewUnstartedServer(switching)
	secure.Config.ErrorLog = log.New(io.Discard, "", 0)
	secure.StartTLS()
	t.Cleanup(func() { close(over); plain.Close(); secure.Close() })
	for url, stopped := range map[string]bool{"ipp" + strings.TrimPrefix(plain.URL, "http"): false, "ipps" + strings.TrimPrefix(secure.URL, "https"): true} {
		cfg := Default()
		cfg.Way, cfg.URL, cfg.Timeout = IPP, url, strict.Duration(time.Second)
		s, err := New(*cfg, "slips", sinks.Env{})
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan error, 1)
		go func() {
			_, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
			done <- err
		}()
		select {
		case err := <-done:
			if err == nil || errors.As(err, new(sinks.Unusable)) != stopped {
				t.Errorf("%s: %v", url, err)
			}
		case <-time.After(5 * time.Second):
			t.Fatalf("%s: it waits for ever", url)
		}
		_ = s.Close()
	}
}
