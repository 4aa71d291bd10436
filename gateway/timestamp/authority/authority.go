// Package authority asks a time-stamping authority for a token, over HTTP (RFC 3161 section 3.4), and takes only one that is
// the answer to the question, is signed below an authority of the configuration, and tells a time that agrees with the clock
// here. Ask does that once; a Keeper does it regularly over the journal's checkpoints, and appends what it gets.
//
//	token, err := authority.Ask(ctx, cfg, note, now)
//
// The other end is not trusted: what it may send, and how long it may take, is bounded, and a redirect is never followed.
package authority

import (
	"bytes"
	"context"
	"crypto/x509"
	"encoding/asn1"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"os"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/timestamp"
)

const (
	askTime  = 30 * time.Second
	rootsMax = 1 << 20 // bytes of the file of authorities

	// coarse is how far the time of a token may be off that says nothing of its accuracy: many give whole seconds.
	coarse = time.Second

	queryType = "application/timestamp-query"
	replyType = "application/timestamp-reply"
)

// Ask gets a token over the SHA-256 of data. now stamps the present: it is asked before and after. The error is a sentence
// without its full stop; ctx and half a minute bound it.
func Ask(ctx context.Context, cfg Config, data []byte, now func() record.Stamp) (*timestamp.Token, error) {
	ctx, cancel := context.WithTimeout(ctx, askTime)
	defer cancel()
	roots, err := Roots(cfg.CAFile)
	if err != nil {
		return nil, err
	}
	var policy asn1.ObjectIdentifier
	if cfg.Policy != "" {
		if policy, err = timestamp.ParsePolicy(cfg.Policy); err != nil {
			return nil, err
		}
	}
	query, nonce, err := timestamp.NewRequest(data, policy)
	if err != nil {
		return nil, err
	}
	before := now()
	reply, err := post(ctx, cfg, query)
	if err != nil {
		return nil, err
	}
	after := now()
	token, err := timestamp.ParseResponse(reply)
	if err != nil {
		return nil, err
	}
	if err := token.Answers(data, nonce, policy); err != nil {
		return nil, err
	}
	if err := token.Verify(roots); err != nil {
		return nil, err
	}
	return token, near(token, before, after)
}

// Roots reads the authorities that are trusted.
func Roots(file string) (*x509.CertPool, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, fmt.Errorf("the authorities for time-stamps cannot be read: %w", err)
	}
	defer f.Close()
	pem, err := io.ReadAll(io.LimitReader(f, rootsMax+1))
	if err != nil {
		return nil, fmt.Errorf("the authorities for time-stamps cannot be read: %w", err)
	}
	roots := x509.NewCertPool()
	if len(pem) > rootsMax || !roots.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificates in PEM, which have to say who may vouch for a time-stamp", file)
	}
	return roots, nil
}

// post sends a query and gives the bytes of the reply.
func post(ctx context.Context, cfg Config, query []byte) ([]byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, cfg.URL, bytes.NewReader(query))
	if err != nil {
		return nil, errors.New("the authority's URL is none")
	}
	req.Header.Set("Content-Type", queryType)
	req.Header.Set("Accept", replyType)
	if cfg.User != "" {
		password, err := cfg.Password.Resolve()
		if err != nil {
			return nil, err
		}
		req.SetBasicAuth(cfg.User, string(password))
	}
	transport := &http.Transport{
		Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true, MaxResponseHeaderBytes: 16 << 10, TLSHandshakeTimeout: askTime,
	}
	client := &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("the authority at %s does not answer: %w", host(cfg.URL), bare(err))
	}
	defer resp.Body.Close()
	return take(resp, host(cfg.URL))
}

// take reads a reply that is one.
func take(resp *http.Response, host string) ([]byte, error) {
	kind, _, _ := mime.ParseMediaType(resp.Header.Get("Content-Type"))
	switch {
	case resp.StatusCode >= 300 && resp.StatusCode < 400:
		return nil, fmt.Errorf("the authority at %s sends the request elsewhere (%d), and a redirect is never followed: put the address "+
			"that holds into the configuration", host, resp.StatusCode)
	case resp.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("the authority at %s answered %d %s", host, resp.StatusCode, http.StatusText(resp.StatusCode))
	case kind != replyType:
		return nil, fmt.Errorf("the answer of the authority at %s has the type %.60q, and a time-stamp has %s", host, kind, replyType)
	}
	reply, err := io.ReadAll(io.LimitReader(resp.Body, timestamp.MaxResponse+1))
	if err != nil {
		return nil, fmt.Errorf("the answer of the authority at %s did not come whole: %w", host, bare(err))
	}
	return reply, nil
}

// bare is an error of HTTP without the URL, which may hold what others should not read.
func bare(err error) error {
	var of *url.Error
	if errors.As(err, &of) {
		return of.Err
	}
	return err
}

func host(text string) string {
	u, err := url.Parse(text)
	if err != nil {
		return "an address that is no URL"
	}
	return u.Host
}

// near holds the time of a token against the clock here. A clock that was never checked has no bound, and judges nothing.
func near(t *timestamp.Token, before, after record.Stamp) error {
	if before.Bound == nil || after.Bound == nil {
		return nil
	}
	off := t.Accuracy
	if off == 0 {
		off = coarse
	}
	low := before.UTC.Time().Add(-time.Duration(*before.Bound) - off)
	high := after.UTC.Time().Add(time.Duration(*after.Bound) + off)
	if t.GenTime.Before(low) || t.GenTime.After(high) {
		return fmt.Errorf("the time-stamp by %q tells %s, and the clock here said %s when it was asked for: one of the two is wrong",
			t.Authority(), t.GenTime.Format(time.RFC3339Nano), before.UTC)
	}
	return nil
}
