package openid

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
)

const (
	maxAnswer = 512 << 10 // bytes of one answer: keys and discovery have a tenth of it
	maxCA     = 4 << 20
)

var errTooMuch = errors.New("the provider's answer is larger than 512 KiB")

// client asks the provider, with a limit to the time and the size of each answer. It follows nobody elsewhere: a redirect would
// take the client's secret and the code along.
func (c Config) client() (*http.Client, error) {
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	if c.CA != "" {
		info, err := os.Stat(c.CA)
		if err == nil && (!info.Mode().IsRegular() || info.Size() > maxCA) {
			return nil, fmt.Errorf("%s is no file of certificate authorities", c.CA)
		}
		pem, err := os.ReadFile(c.CA)
		if err != nil {
			return nil, fmt.Errorf("the file of certificate authorities cannot be read: %w", err)
		}
		if t.RootCAs = x509.NewCertPool(); !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM form", c.CA)
		}
	}
	return &http.Client{
		Timeout: c.Timeout.D(),
		Transport: bounded{&http.Transport{Proxy: http.ProxyFromEnvironment, TLSClientConfig: t, DisableKeepAlives: true,
			MaxResponseHeaderBytes: 64 << 10}},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}, nil
}

// bounded reads no answer beyond its limit.
type bounded struct{ next http.RoundTripper }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	resp, err := b.next.RoundTrip(r)
	if err == nil {
		resp.Body = &boundedBody{resp.Body, maxAnswer}
	}
	return resp, err
}

type boundedBody struct {
	io.ReadCloser
	left int
}

func (b *boundedBody) Read(p []byte) (int, error) {
	if b.left <= 0 {
		return 0, errTooMuch
	}
	n, err := b.ReadCloser.Read(p[:min(len(p), b.left)])
	b.left -= n
	return n, err
}
