package http

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

// TestAPreviewIsWhatGoesOut holds the preview against the request that arrives, header by header but for those that show who sends.
func TestAPreviewIsWhatGoesOut(t *testing.T) {
	t.Setenv("WEIGHPOST_TEST_BEARER", "hush-bearer")
	t.Setenv("WEIGHPOST_TEST_SIGNING", newSecret())
	for name, change := range map[string]func(*Config){
		"entry": func(*Config) {},
		"put":   func(c *Config) { c.Method, c.URL = http.MethodPut, c.URL+"/{id}?key=hush-query" },
		"lines": func(c *Config) { c.Body = Lines }, "array": func(c *Config) { c.Body = Array },
		"csv": func(c *Config) { c.Format = format.NameCSV }, "batch of csv": func(c *Config) { c.Format, c.Body = format.NameCSV, Batch },
	} {
		t.Run(name, func(t *testing.T) {
			r := newReceiver(t)
			c := r.config(change, func(c *Config) {
				c.Bearer, c.Sign = secret(t, "env:WEIGHPOST_TEST_BEARER"), secret(t, "env:WEIGHPOST_TEST_SIGNING")
			})
			e := sinktest.Weighings(1, 1)[0]
			e.Late = true
			shown, err := c.Preview("lims", sinks.Env{}, e)
			if err != nil {
				t.Fatal(err)
			}
			if n, err := openSink(t, c).Deliver(t.Context(), []record.Entry{e}); n != 1 || err != nil {
				t.Fatal(n, err)
			}
			h, body := r.last()
			if string(shown.Body) != string(body) || shown.Type != h.Get("Content-Type") {
				t.Errorf("shown %s %q, sent %s %q", shown.Type, shown.Body, h.Get("Content-Type"), body)
			}
			told := map[string]string{}
			for _, a := range shown.Attributes {
				told[a.Name] = a.Value
			}
			for _, own := range []string{"Content-Type", "Content-Length", "Accept-Encoding"} { // of every request
				h.Del(own)
			}
			for name := range h {
				if secretive := name == "Authorization" || name == headerSignature || name == headerTime; told[name] == "" || told[name] != h.Get(name) && !secretive {
					t.Errorf("%s: shown %q, sent %q", name, told[name], h.Get(name))
				}
				delete(told, name)
			}
			if len(told) > 0 {
				t.Errorf("shown and not sent: %v", told)
			}
			all, _ := json.Marshal(shown)
			if text := shown.To + string(all); strings.Contains(text, "hush") || strings.Contains(text, "whsec") || !strings.Contains(shown.To, c.Method+" http://"+r.addr) {
				t.Errorf("shown: %s", text)
			}
		})
	}
	c := *Default()
	c.URL, c.Format = "https://lab.example/w", format.NameCSV
	if _, err := c.Preview("lims", sinks.Env{}, record.Entry{ID: "x", Kind: record.KindStart, JSON: []byte(`{}`)}); outcome(err) != "refused" {
		t.Errorf("an entry that the format cannot hold: %v", err)
	}
}
