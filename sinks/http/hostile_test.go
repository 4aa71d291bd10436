package http

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// switching is a server that answers every request with 101 and says nothing more. It leaves the connections open.
func switching(t *testing.T) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			t.Cleanup(func() { _ = c.Close() })
			_, _ = c.Read(make([]byte, 64<<10))
			_, _ = io.WriteString(c, "HTTP/1.1 101 Switching Protocols\r\nConnection: Upgrade\r\nUpgrade: other\r\n\r\n")
		}
	}()
	t.Cleanup(func() { _ = l.Close(); <-ended })
	return l.Addr().String()
}

// TestAServerThatSwitchesProtocols hands us the bare connection (RFC 9110 section 15.2.2), on which no context ends a read.
func TestAServerThatSwitchesProtocols(t *testing.T) {
	address := switching(t)
	t.Setenv("WEIGHPOST_TEST_OAUTH", "not-a-real-secret")
	for name, change := range map[string]func(*Config){
		"entries":     func(*Config) {},
		"tokens":      func(c *Config) { c.OAuth = OAuth{TokenURL: "http://" + address + "/token", Client: "w"} },
		"checkpoints": func(c *Config) { c.Checkpoints = "http://" + address + "/checkpoints" },
	} {
		t.Run(name, func(t *testing.T) {
			cfg := *Default()
			cfg.URL, cfg.Timeout, cfg.Proxy = "http://"+address+"/weighings", strict.Duration(200*time.Millisecond), noProxy
			change(&cfg)
			if name == "tokens" {
				cfg.OAuth.Secret, _ = strict.SecretFrom("env:WEIGHPOST_TEST_OAUTH")
			}
			s := openSink(t, cfg)
			done := make(chan error, 1)
			go func() {
				if name == "checkpoints" {
					done <- publisher{s}.Checkpoint(t.Context(), []byte("note"))
					return
				}
				_, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
				done <- err
			}()
			select {
			case err := <-done:
				if outcome(err) != "again" || !strings.Contains(err.Error(), "101") {
					t.Errorf("%v", err)
				}
			case <-time.After(3 * time.Second):
				t.Fatal("it waits for ever")
			}
		})
	}
}

// TestAnErrorRepeatsNoSecret: errors are shown, logged and kept in the journal. The server here repeats all that it was sent.
func TestAnErrorRepeatsNoSecret(t *testing.T) {
	const secret = "n0t-a-real+token"
	t.Setenv("WEIGHPOST_TEST_SECRET", secret)
	of, err := strict.SecretFrom("env:WEIGHPOST_TEST_SECRET")
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Config){
		"bearer": func(c *Config) { c.Bearer = of },
		"basic":  func(c *Config) { c.User, c.Password = "bench", of },
		"query":  func(c *Config) { c.URL += "?key=n0t-a-real%2Btoken" },
	} {
		for _, status := range []int{http.StatusMovedPermanently, http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusBadGateway} {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			far := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
				user, password, _ := req.BasicAuth()
				w.Header().Set("Location", "https://other.example"+req.URL.String())
				w.WriteHeader(status)
				_, _ = io.WriteString(w, req.URL.String()+" "+req.URL.Query().Get("key")+" "+req.Header.Get("Authorization")+" "+user+" "+password)
			})}
			go func() { _ = far.Serve(l) }()
			cfg := *Default()
			cfg.URL = "http://" + l.Addr().String() + "/weighings"
			change(&cfg)
			s := openSink(t, cfg)
			_, err = s.Deliver(context.Background(), sinktest.Weighings(1, 1))
			far.Close()
			if err == nil {
				t.Fatal("accepted")
			}
			for _, part := range []string{secret, "n0t-a-real%2Btoken", "YmVuY2g6bjB0LWEtcmVhbCt0b2tlbg"} { // base64 of bench:…
				if strings.Contains(err.Error(), part) {
					t.Errorf("%s, %d: %v", name, status, err)
				}
			}
			if status == http.StatusMovedPermanently && (!errors.As(err, new(sinks.Unusable)) || !strings.Contains(err.Error(), "https://other.example/weighings")) {
				t.Errorf("%s: it does not say where the server points to: %v", name, err)
			}
		}
	}
}
