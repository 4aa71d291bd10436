package http

import (
	"encoding/base64"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"weighpost/sinks/sinktest"
)

// gatekeeper is a proxy that wants a name and a password, for plain requests and for tunnels (RFC 9110 sections 7.6 and 9.3.6).
type gatekeeper struct {
	*httptest.Server
	through atomic.Int32
	status  atomic.Int32 // answers every tunnel with it; 0: lets it through
	tunnels sync.WaitGroup
}

func newGatekeeper(t *testing.T) *gatekeeper {
	g := &gatekeeper{}
	g.Server = httptest.NewServer(g)
	t.Cleanup(func() { g.CloseClientConnections(); g.Close(); g.tunnels.Wait() })
	return g
}

func (g *gatekeeper) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Header.Get("Proxy-Authorization") != "Basic "+base64.StdEncoding.EncodeToString([]byte("seed-bank:open sesame")) {
		w.Header().Set("Proxy-Authenticate", "Basic")
		w.WriteHeader(http.StatusProxyAuthRequired)
		return
	}
	if s := g.status.Load(); s != 0 {
		w.WriteHeader(int(s))
		return
	}
	g.through.Add(1)
	if r.Method != http.MethodConnect {
		g.pass(w, r)
		return
	}
	far, err := net.Dial("tcp", r.Host)
	if err != nil {
		w.WriteHeader(http.StatusBadGateway)
		return
	}
	near, _, err := w.(http.Hijacker).Hijack()
	if err != nil {
		far.Close()
		return
	}
	_, _ = io.WriteString(near, "HTTP/1.1 200 OK\r\n\r\n")
	for _, pair := range [][2]net.Conn{{near, far}, {far, near}} {
		g.tunnels.Go(func() {
			_, _ = io.Copy(pair[0], pair[1])
			pair[0].Close()
			pair[1].Close()
		})
	}
}

func (g *gatekeeper) pass(w http.ResponseWriter, r *http.Request) {
	r.RequestURI = ""
	r.Header.Del("Proxy-Authorization")
	transport := &http.Transport{DisableKeepAlives: true}
	answer, err := transport.RoundTrip(r)
	if err != nil {
		w.WriteHeader(http.StatusBadGateway)
		return
	}
	defer answer.Body.Close()
	w.WriteHeader(answer.StatusCode)
	_, _ = io.Copy(w, answer.Body)
}

func TestThroughAProxy(t *testing.T) {
	var arrived atomic.Int32
	handler := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Proxy-Authorization") != "" {
			t.Error("the password of the proxy came to the server")
		}
		_, _ = io.Copy(io.Discard, r.Body)
		arrived.Add(1)
	})
	secured := httptest.NewTLSServer(handler)
	defer secured.Close()
	plain := httptest.NewServer(handler)
	defer plain.Close()
	g := newGatekeeper(t)
	t.Setenv("WEIGHPOST_TEST_PROXY", "open sesame")
	for name, url := range map[string]string{"a tunnel": secured.URL, "plain": plain.URL} {
		t.Run(name, func(t *testing.T) {
			c := *Default()
			c.URL, c.Proxy, c.ProxyUser, c.ProxyPassword = url, g.URL, "seed-bank", secret(t, "env:WEIGHPOST_TEST_PROXY")
			if name == "a tunnel" {
				c.CA = writePEM(t, "CERTIFICATE", secured.Certificate().Raw)
			}
			before := g.through.Load()
			s := openSink(t, c)
			if n, err := s.Deliver(t.Context(), sinktest.Weighings(2, 1)); n != 2 || err != nil || g.through.Load() == before {
				t.Errorf("accepted %d, %d went through the proxy: %v", n, g.through.Load()-before, err)
			}
			wrong := c
			wrong.ProxyUser = "somebody"
			_, err := openSink(t, wrong).Deliver(t.Context(), sinktest.Weighings(1, 1))
			if outcome(err) != "stopped" || !strings.Contains(err.Error(), "407") || !strings.Contains(err.Error(), "proxy_user") || strings.Contains(err.Error(), "sesame") {
				t.Errorf("with another name: %v", err)
			}
			around := c
			around.Proxy, around.ProxyUser = "none", ""
			before = g.through.Load()
			if n, err := openSink(t, around).Deliver(t.Context(), sinktest.Weighings(1, 1)); n != 1 || err != nil || g.through.Load() != before {
				t.Errorf("without a proxy: %d, %v", n, err)
			}
		})
	}
}

func TestWhatAProxyAnswers(t *testing.T) {
	secured := httptest.NewTLSServer(http.NotFoundHandler())
	defer secured.Close()
	g := newGatekeeper(t)
	t.Setenv("WEIGHPOST_TEST_PROXY", "open sesame")
	c := *Default()
	c.URL, c.Proxy, c.ProxyUser, c.ProxyPassword = secured.URL, g.URL, "seed-bank", secret(t, "env:WEIGHPOST_TEST_PROXY")
	for status, want := range map[int32]string{403: "stopped", 405: "stopped", 502: "again", 503: "again", 504: "again"} {
		g.status.Store(status)
		if _, err := openSink(t, c).Deliver(t.Context(), sinktest.Weighings(1, 1)); outcome(err) != want || !strings.Contains(err.Error(), "the proxy answered") {
			t.Errorf("%d: %s (%v), want %s", status, outcome(err), err, want)
		}
	}
	g.Close()
	if _, err := openSink(t, c).Deliver(t.Context(), sinktest.Weighings(1, 1)); outcome(err) != "again" || strings.Contains(err.Error(), "sesame") {
		t.Errorf("gone: %v", err)
	}
}
