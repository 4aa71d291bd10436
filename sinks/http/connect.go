package http

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"weighpost/sinks"
)

// connect makes the client, if there is none, and reads the secrets: they may have been changed since the last delivery.
func (s *Sink) connect() (err error) {
	if s.auth, err = s.fixedAuthorization(); err != nil {
		return err
	}
	if s.keys, err = s.signingKeys(); err != nil || s.client != nil {
		return err
	}
	return s.open()
}

func (s *Sink) open() error {
	t, err := s.tls()
	if err != nil {
		return err
	}
	proxy, err := s.proxy()
	if err != nil {
		return err
	}
	s.client = &http.Client{
		Transport: &settled{http.Transport{
			Proxy:                  proxy,
			OnProxyConnectResponse: tunnelled,
			DialContext:            (&net.Dialer{Timeout: 10 * time.Second, KeepAlive: 15 * time.Second}).DialContext,
			TLSClientConfig:        t,
			TLSHandshakeTimeout:    10 * time.Second,
			ResponseHeaderTimeout:  s.cfg.Timeout.D(),
			MaxIdleConns:           2,
			IdleConnTimeout:        90 * time.Second,
			ForceAttemptHTTP2:      true,
			MaxResponseHeaderBytes: 64 << 10,
		}},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return nil
}

// settled is a transport that takes no 101: it hands over the connection itself, of which a read ends with no context.
type settled struct{ http.Transport }

var errSwitched = errors.New("the server answered 101 and wants another protocol, which nobody asked for")

// RoundTrip makes one request.
func (t *settled) RoundTrip(req *http.Request) (*http.Response, error) {
	answer, err := t.Transport.RoundTrip(req)
	if err == nil && answer.StatusCode == http.StatusSwitchingProtocols {
		_ = answer.Body.Close()
		return nil, errSwitched
	}
	return answer, err
}

// fixedAuthorization gives the header's value (RFC 6750 section 2.1, RFC 7617 section 2), or "" where there is none or a token is to be
// asked for.
func (s *Sink) fixedAuthorization() (string, error) {
	switch {
	case !s.cfg.Bearer.IsZero():
		token, err := s.cfg.Bearer.Resolve()
		if err != nil {
			return "", err
		}
		if strings.ContainsAny(string(token), " \t\r\n\x00") {
			return "", fmt.Errorf("%s holds spaces or line ends and is no token", s.cfg.Bearer)
		}
		return "Bearer " + string(token), nil
	case s.cfg.User != "":
		password, err := s.cfg.Password.Resolve()
		if err != nil {
			return "", err
		}
		return "Basic " + base64.StdEncoding.EncodeToString([]byte(s.cfg.User+":"+string(password))), nil
	}
	return "", nil
}

// prove writes who sends into a request, and signs it as of now.
func (s *Sink) prove(ctx context.Context, h http.Header, id string, body []byte) error {
	auth := s.auth
	if s.cfg.OAuth.asked() {
		token, err := s.token(ctx)
		if err != nil {
			return err
		}
		auth = "Bearer " + token
	}
	if auth != "" {
		h.Set("Authorization", auth)
	}
	sign(h, id, time.Now(), body, s.keys)
	return nil
}

// leastHidden is how long a secret is at least that is looked for in an answer: a shorter one would be found in any text.
const leastHidden = 4

// hide takes out of an answer what it repeats of ours that is secret. Errors are shown, logged and kept in the journal.
func (s *Sink) hide(said []byte, sent http.Header) []byte {
	auth := sent.Get("Authorization")
	_, proof, _ := strings.Cut(auth, " ")
	secrets := []string{proof}
	if plain, err := base64.StdEncoding.DecodeString(proof); err == nil && s.cfg.User != "" {
		_, password, _ := strings.Cut(string(plain), ":")
		secrets = append(secrets, password)
	}
	if u, err := url.Parse(strings.ReplaceAll(s.cfg.URL, idPlaceholder, "id")); err == nil {
		secrets = append(secrets, u.RawQuery)
		for _, values := range u.Query() {
			secrets = append(secrets, values...)
		}
	}
	for _, secret := range secrets {
		if len(secret) >= leastHidden {
			said = bytes.ReplaceAll(said, []byte(secret), []byte("(not shown)"))
		}
	}
	return said
}

func (s *Sink) tls() (*tls.Config, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	if s.cfg.CA != "" {
		pem, err := os.ReadFile(s.cfg.CA)
		if err != nil {
			return nil, fmt.Errorf("the certificates of the authorities cannot be read: %w", err)
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("the file %s holds no certificate in PEM form", s.cfg.CA)
		}
	}
	if s.cfg.Certificate != "" {
		pair, err := tls.LoadX509KeyPair(s.cfg.Certificate, s.cfg.Key)
		if err != nil {
			return nil, fmt.Errorf("the client certificate in %s and its key in %s cannot be used: %w", s.cfg.Certificate, s.cfg.Key, err)
		}
		t.Certificates = []tls.Certificate{pair}
	}
	return t, nil
}

// unanswered classifies a request without an answer. The network may come back; a certificate that is not trusted needs a
// person.
func (s *Sink) unanswered(err error) error {
	var outer *url.Error
	if errors.As(err, &outer) {
		err = outer.Err // without the URL, which may hold a token in its query
	}
	var untrusted *tls.CertificateVerificationError
	var alert *net.OpError
	var unusable sinks.Unusable
	switch {
	case errors.As(err, &unusable): // a proxy that turned us away
		return unusable
	case errors.As(err, &untrusted):
		return sinks.Unusable{Err: fmt.Errorf("the server's certificate is not trusted: %w", err)}
	case errors.As(err, &alert) && alert.Op == "remote error":
		return sinks.Unusable{Err: fmt.Errorf("the server refuses the secure connection, perhaps for the client certificate: %w", err)}
	case errors.Is(err, context.DeadlineExceeded):
		return fmt.Errorf("no answer within %s: %w", s.cfg.Timeout, err)
	}
	return fmt.Errorf("no answer: %w", err)
}

// sameServer says whether two URLs are of one scheme, host and port: what proves who sends goes to no other server.
func sameServer(a, b string) bool {
	x, errX := url.Parse(strings.ReplaceAll(a, idPlaceholder, "id"))
	y, errY := url.Parse(strings.ReplaceAll(b, idPlaceholder, "id"))
	return errX == nil && errY == nil && x.Scheme == y.Scheme && strings.EqualFold(x.Host, y.Host)
}
