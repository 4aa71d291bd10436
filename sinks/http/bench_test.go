package http

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: requests that are answered 200 by a server in this process, one for each weighing, the same signed, and one for 256
// weighings as lines, against a bare http.Client that posts the same bodies. Both have one connection and do one request at a time.
func BenchmarkDeliver(b *testing.B) {
	for _, kind := range []string{Entry, "signed", Lines} {
		b.Run("body="+kind, func(b *testing.B) {
			far := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { _, _ = io.Copy(io.Discard, r.Body) }))
			defer far.Close()
			client := &http.Client{Transport: &http.Transport{}}
			defer client.CloseIdleConnections()
			s := benchSink(b, far.URL, kind)
			defer s.Close()
			sinktest.Against(b, 256, s, func(entries []record.Entry) error {
				if kind == Lines {
					var all []byte
					for _, e := range entries {
						all = append(append(all, e.JSON...), '\n')
					}
					return post(client, far.URL, all)
				}
				for _, e := range entries {
					if err := post(client, far.URL, e.JSON); err != nil {
						return err
					}
				}
				return nil
			})
		})
	}
}

func benchSink(b *testing.B, url, kind string) *Sink {
	c := *Default()
	c.URL = url
	switch kind {
	case "signed":
		b.Setenv("WEIGHPOST_TEST_SIGNING", newSecret())
		if err := c.Sign.UnmarshalText([]byte("env:WEIGHPOST_TEST_SIGNING")); err != nil {
			b.Fatal(err)
		}
	default:
		c.Body = kind
	}
	s, err := New(c, "lims", sinks.Env{})
	if err != nil {
		b.Fatal(err)
	}
	return s
}

func post(client *http.Client, url string, body []byte) error {
	answer, err := client.Post(url, "application/json", bytes.NewReader(body))
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, err = io.Copy(io.Discard, answer.Body)
	return err
}
