package central

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"time"
)

const (
	fetchTime = 30 * time.Second
	rootsMax  = 1 << 20 // bytes of the file of authorities
)

// Source fetches the file, and remembers what it got last. It belongs to one goroutine. The zero value is ready.
type Source struct {
	from, tag string // where last came from, and the entity tag that it had there
	last      []byte
	hung      chan read // of a file that did not come; nil: none is awaited
}

type read struct {
	b   []byte
	err error
}

// ErrTooLarge is the error of a file that was not read to its end.
var ErrTooLarge = fmt.Errorf("it is larger than %d bytes, and was not looked into", MaxSize)

// Fetch gives the file as it is now. The error is a sentence without its full stop; ctx and half a minute bound it. The other end is not
// trusted: what it may send is bounded, and a redirect is never followed.
func (s *Source) Fetch(ctx context.Context, c Config) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, fetchTime)
	defer cancel()
	if s.from != c.From {
		*s = Source{from: c.From}
	}
	if c.IsURL() {
		return s.ask(ctx, c)
	}
	if s.hung == nil { // a share that hangs is waited for by one goroutine, which ends when the system gives up
		done := make(chan read, 1)
		go func() {
			b, err := readFile(c.From)
			done <- read{b, err}
		}()
		s.hung = done
	}
	select {
	case r := <-s.hung:
		s.hung = nil
		return r.b, r.err
	case <-ctx.Done():
		return nil, fmt.Errorf("the file %s does not answer", c.From)
	}
}

func readFile(name string) ([]byte, error) {
	info, err := os.Stat(name)
	if err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no plain file", name)
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("the file cannot be read: %w", err)
	}
	defer f.Close()
	return bounded(f)
}

func bounded(r io.Reader) ([]byte, error) {
	b, err := io.ReadAll(io.LimitReader(r, MaxSize+1))
	switch {
	case err != nil:
		return nil, err
	case len(b) > MaxSize:
		return nil, ErrTooLarge
	}
	return b, nil
}

func (s *Source) ask(ctx context.Context, c Config) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.From, nil)
	if err != nil {
		return nil, errors.New("the address is none")
	}
	if s.last != nil && s.tag != "" {
		req.Header.Set("If-None-Match", s.tag) // RFC 9110, 13.1.2
	}
	transport := &http.Transport{
		Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true, DisableCompression: true, MaxResponseHeaderBytes: 16 << 10, TLSHandshakeTimeout: fetchTime,
	}
	if c.CAFile != "" {
		roots, err := authorities(c.CAFile)
		if err != nil {
			return nil, err
		}
		transport.TLSClientConfig = &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}
	}
	client := &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("%s does not answer: %w", req.URL.Host, bare(err))
	}
	defer resp.Body.Close()
	return s.take(resp)
}

func (s *Source) take(resp *http.Response) ([]byte, error) {
	host := resp.Request.URL.Host
	switch {
	case resp.StatusCode == http.StatusNotModified && s.last != nil:
		return s.last, nil
	case resp.StatusCode >= 300 && resp.StatusCode < 400:
		return nil, fmt.Errorf("%s sends the request elsewhere (%d), and a redirect is never followed: put the address that holds into the configuration",
			host, resp.StatusCode)
	case resp.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("%s answered %d %s", host, resp.StatusCode, http.StatusText(resp.StatusCode))
	}
	b, err := bounded(resp.Body)
	if err != nil && !errors.Is(err, ErrTooLarge) {
		err = fmt.Errorf("the answer of %s did not come whole: %w", host, bare(err))
	}
	if err == nil {
		s.last, s.tag = b, resp.Header.Get("ETag")
	}
	return b, err
}

func authorities(file string) (*x509.CertPool, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, fmt.Errorf("the authorities that may vouch for the server cannot be read: %w", err)
	}
	defer f.Close()
	pem, err := io.ReadAll(io.LimitReader(f, rootsMax+1))
	if err != nil {
		return nil, fmt.Errorf("the authorities that may vouch for the server cannot be read: %w", err)
	}
	roots := x509.NewCertPool()
	if len(pem) > rootsMax || !roots.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificates in PEM", file)
	}
	return roots, nil
}

// bare is an error of HTTP without the URL.
func bare(err error) error {
	var of *url.Error
	if errors.As(err, &of) {
		return of.Err
	}
	return err
}
