package http

import (
	"encoding/csv"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// outcome names what an error of Deliver means.
func outcome(err error) string {
	var r sinks.Refused
	var u sinks.Unusable
	var b sinks.Busy
	switch {
	case err == nil:
		return "accepted"
	case errors.As(err, &r):
		return "refused"
	case errors.As(err, &u):
		return "stopped"
	case errors.As(err, &b):
		return "busy " + b.After.String()
	}
	return "again"
}

// serve answers every request with f.
func serve(t *testing.T, f http.HandlerFunc) Config {
	server := httptest.NewServer(f)
	t.Cleanup(server.Close)
	c := *Default()
	c.URL = server.URL
	return c
}

func TestStatuses(t *testing.T) {
	for status, want := range map[int]string{
		200: "accepted", 201: "accepted", 202: "accepted", 204: "accepted",
		301: "stopped", 302: "stopped", 303: "stopped", 304: "stopped", 307: "stopped", 308: "stopped",
		400: "refused", 402: "refused", 406: "refused", 409: "refused", 413: "refused", 415: "refused", 422: "refused", 451: "refused",
		401: "stopped", 403: "stopped", 404: "stopped", 405: "stopped", 407: "stopped", 410: "stopped", 501: "stopped", 505: "stopped",
		408: "again", 425: "again", 429: "again", 500: "again", 502: "again", 503: "again", 504: "again", 507: "again", 599: "again",
	} {
		t.Run(strconv.Itoa(status), func(t *testing.T) {
			s := openSink(t, serve(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(status) }))
			n, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
			if got := outcome(err); got != want || (n == 1) != (want == "accepted") {
				t.Errorf("%s (%v), want %s", got, err, want)
			}
			if err != nil && !strings.Contains(err.Error(), strconv.Itoa(status)) {
				t.Errorf("%q does not name the status", err)
			}
		})
	}
}

func TestRetryAfterIsKeptWhereTryingAgainHelps(t *testing.T) {
	for status, want := range map[int]string{503: "busy 2m0s", 429: "busy 2m0s", 408: "busy 2m0s", 500: "busy 2m0s", 409: "busy 2m0s", 400: "refused", 401: "stopped"} {
		s := openSink(t, serve(t, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "120")
			w.WriteHeader(status)
		}))
		if _, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1)); outcome(err) != want {
			t.Errorf("%d: %s, want %s", status, outcome(err), want)
		}
	}
}

// TestRetryAfter: RFC 9110 section 10.2.3 (120 and the date of 1999 are its own examples) and the dates of section 5.6.7;
// seconds recomputed from the dates.
func TestRetryAfter(t *testing.T) {
	f, err := os.Open("testdata/retry_after.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 10 {
		t.Fatalf("%d rows: %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		h := http.Header{"Retry-After": {row[0]}, "Date": {row[1]}}
		got, ok := retryAfter(h, time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC))
		want := maxWait // valid without seconds: too long to be counted
		if row[2] != "" {
			seconds, err := strconv.Atoi(row[2])
			if err != nil {
				t.Fatal(err)
			}
			want = max(time.Duration(seconds)*time.Second, 0)
		}
		if valid := row[3] == "true"; ok != valid || valid && got != want {
			t.Errorf("%q (%s): %s %v, want %s %v", row[0], row[4], got, ok, want, valid)
		}
	}
	// Without a Date, the own clock counts.
	now := time.Date(1999, 12, 31, 23, 59, 0, 0, time.UTC)
	if got, ok := retryAfter(http.Header{"Retry-After": {"Fri, 31 Dec 1999 23:59:59 GMT"}}, now); !ok || got != 59*time.Second {
		t.Errorf("without a Date: %s %v", got, ok)
	}
}

func TestARedirectIsNotFollowed(t *testing.T) {
	for _, status := range []int{301, 302, 303, 307, 308} {
		elsewhere := 0
		far := serve(t, func(http.ResponseWriter, *http.Request) { elsewhere++ })
		cfg := serve(t, func(w http.ResponseWriter, req *http.Request) { http.Redirect(w, req, far.URL+"/steal\u202e", status) })
		s := openSink(t, cfg)
		_, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
		if outcome(err) != "stopped" || elsewhere != 0 || !strings.Contains(err.Error(), far.URL) || strings.ContainsRune(err.Error(), 0x202e) {
			t.Errorf("%d: %v, %d requests elsewhere", status, err, elsewhere)
		}
	}
}

func TestWhatAServerSaysIsShownInShortAndEscaped(t *testing.T) {
	s := openSink(t, serve(t, func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusBadRequest)
		fmt.Fprint(w, "\x1b[2Jlot \u202e unknown\n", strings.Repeat("x", 1000))
	}))
	_, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
	text := err.Error()
	if len(text) > shown+100 || strings.ContainsAny(text, "\x1b\u202e\n") || !strings.Contains(text, `\x1b[2Jlot \u202e unknown\n`) {
		t.Errorf("got %q", text)
	}
}

func TestAServerThatHangsIsLeftAfterTheTimeout(t *testing.T) {
	end := make(chan struct{})
	cfg := serve(t, func(_ http.ResponseWriter, req *http.Request) {
		select {
		case <-end:
		case <-req.Context().Done():
		}
	})
	t.Cleanup(func() { close(end) })
	cfg.Timeout = 150e6 // 150 ms
	began := time.Now()
	n, err := openSink(t, cfg).Deliver(t.Context(), sinktest.Weighings(3, 1))
	if took := time.Since(began); n != 0 || outcome(err) != "again" || took > 5*time.Second || !strings.Contains(err.Error(), "no answer within 150ms") {
		t.Errorf("after %s: %d accepted, %v", took, n, err)
	}
}

// TestACutAnswerIsJudgedByWhatArrived: before the first line nothing is known; after it, the status counts.
func TestACutAnswerIsJudgedByWhatArrived(t *testing.T) {
	for said, want := range map[string]string{
		"": "again", "HTT": "again", "HTTP/1.1 20": "again",
		"HTTP/1.1 200 OK\r\nContent-Length: 500\r\n\r\nhalf":          "accepted",
		"HTTP/1.1 422 No\r\nContent-Length: 500\r\n\r\nhalf":          "refused",
		"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nff\r\n": "accepted",
		"not a web server\r\n\r\n":                                    "again",
	} {
		s := openSink(t, serve(t, func(w http.ResponseWriter, _ *http.Request) {
			c, _, err := w.(http.Hijacker).Hijack()
			if err != nil {
				t.Error(err)
				return
			}
			fmt.Fprint(c, said)
			c.Close()
		}))
		n, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
		if outcome(err) != want || (n == 1) != (want == "accepted") {
			t.Errorf("%q: %s (%v), want %s", said, outcome(err), err, want)
		}
	}
}

// TestOneBadEntryOfABatchIsFound lets a server refuse any batch that holds a bad entry.
func TestOneBadEntryOfABatchIsFound(t *testing.T) {
	entries := sinktest.Weighings(33, 1)
	for bad := range entries {
		r := newReceiver(t)
		s := openSink(t, r.config(func(c *Config) { c.Body = Array }))
		r.set(func() { r.refuse = entries[bad].ID })
		n, err := s.Deliver(t.Context(), entries)
		if n != bad || outcome(err) != "refused" {
			t.Fatalf("entry %d is bad: accepted %d, %v", bad, n, err)
		}
		if n, err := s.Deliver(t.Context(), entries[bad+1:]); n != len(entries)-bad-1 || err != nil {
			t.Fatalf("after entry %d: accepted %d, %v", bad, n, err)
		}
		r.stop()
	}
}

func TestBatchesHaveABound(t *testing.T) {
	s := &Sink{cfg: Config{Body: Array}}
	big := make([]record.Entry, 10)
	for i := range big {
		big[i].JSON = []byte(`"` + strings.Repeat("x", maxBatch/3) + `"`)
	}
	if n := len(s.cut(big, 10)); n != 2 {
		t.Errorf("%d entries of a third of the bound in a request", n)
	}
	big[0].JSON = []byte(`"` + strings.Repeat("x", 2*maxBatch) + `"`)
	if n := len(s.cut(big, 10)); n != 1 {
		t.Errorf("%d entries with one above the bound", n)
	}
}

// TestKeyIsAStructuredString: RFC 8941 section 3.3.3 allows %x20-21, %x23-5B, %x5D-7E and \" and \\ between quotes.
func TestKeyIsAStructuredString(t *testing.T) {
	seen := make(map[string]string)
	for _, id := range append([]string{"north-lab/7qx3/b-12/000184", `a"b\c`, "é", "%C3%A9"}, sinktest.Hostile...) {
		got := key([]record.Entry{{ID: id}})
		inside := strings.TrimSuffix(strings.TrimPrefix(got, `"`), `"`)
		plain := strings.NewReplacer(`\"`, "", `\\`, "").Replace(inside)
		if len(got) != len(inside)+2 || strings.ContainsAny(plain, `"\`) || strings.IndexFunc(inside, func(r rune) bool { return r < 0x20 || r > 0x7e }) >= 0 {
			t.Errorf("%q: %s", id, got)
		}
		if other, taken := seen[got]; taken {
			t.Errorf("%q and %q share the key %s", id, other, got)
		}
		seen[got] = id
	}
	if got := key([]record.Entry{{ID: "a/1"}, {ID: "a/2"}, {ID: "b/1"}}); got != `"a/1 b/1"` {
		t.Errorf("batch: %s", got)
	}
}
