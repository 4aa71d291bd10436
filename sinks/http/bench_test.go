package http

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: requests that are answered 200 by a server in this process, one for each weighing, the same signed, and one for 256
// weighings as lines, against a bare http.Client that posts the same bodies and signs those that ours signs, by the library of Standard
// Webhooks. Both have one connection and do one request at a time.
func BenchmarkDeliver(b *testing.B) {
	for _, kind := range []string{Entry, "signed", Lines} {
		b.Run("body="+kind, func(b *testing.B) {
			far := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { _, _ = io.Copy(io.Discard, r.Body) }))
			defer far.Close()
			client := &http.Client{Transport: &http.Transport{}}
			defer client.CloseIdleConnections()
			s, sign := benchSink(b, far.URL, kind)
			defer s.Close()
			sinktest.Against(b, 256, s, func(entries []record.Entry) error {
				if kind == Lines {
					var all []byte
					for _, e := range entries {
						all = append(append(all, e.JSON...), '\n')
					}
					return post(client, far.URL, all, http.Header{})
				}
				for _, e := range entries {
					h := http.Header{}
					if err := sign(h, e); err != nil {
						return err
					}
					if err := post(client, far.URL, e.JSON, h); err != nil {
						return err
					}
				}
				return nil
			})
		})
	}
}

// benchSink is a sink, and what signs for the bare loop where that one signs.
func benchSink(b *testing.B, url, kind string) (s *Sink, sign func(http.Header, record.Entry) error) {
	c := *Default()
	c.URL = url
	sign = func(http.Header, record.Entry) error { return nil }
	switch kind {
	case "signed":
		secret := newSecret()
		b.Setenv("WEIGHPOST_TEST_SIGNING", secret)
		if err := c.Sign.UnmarshalText([]byte("env:WEIGHPOST_TEST_SIGNING")); err != nil {
			b.Fatal(err)
		}
		hook, err := standardwebhooks.NewWebhook(secret)
		if err != nil {
			b.Fatal(err)
		}
		sign = func(h http.Header, e record.Entry) error {
			now := time.Now()
			signature, err := hook.Sign(e.ID, now, e.JSON)
			h.Set(headerID, e.ID)
			h.Set(headerTime, strconv.FormatInt(now.Unix(), 10))
			h.Set(headerSignature, signature)
			return err
		}
	default:
		c.Body = kind
	}
	s, err := New(c, "lims", sinks.Env{})
	if err != nil {
		b.Fatal(err)
	}
	return s, sign
}

func post(client *http.Client, url string, body []byte, h http.Header) error {
	r, err := http.NewRequest(http.MethodPost, url, bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header = h
	h.Set("Content-Type", "application/json")
	answer, err := client.Do(r)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, err = io.Copy(io.Discard, answer.Body)
	return err
}
