package authority_test

import (
	"bytes"
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/timestamp/authority"
	"weighpost/gateway/timestamp/tsatest"
	"weighpost/parsers/strict"
)

var note = []byte("weighpost/seed-bank/7qx3\n12\nroot\n\n— key sig\n")

// clock is a clock that is right, or ahead by so much.
func clock(ahead time.Duration) func() record.Stamp {
	bound := record.Span(200 * time.Millisecond)
	return func() record.Stamp {
		return record.Stamp{UTC: record.UTC(time.Now().Add(ahead)), Bound: &bound, Clock: record.ClockChecked}
	}
}

// TestAskTakesATokenOfARealResponder: `openssl ts -reply` behind HTTP.
func TestAskTakesATokenOfARealResponder(t *testing.T) {
	a := tsatest.Start(t)
	password := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(password, []byte("s3cret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	secret, err := strict.SecretFrom("file:" + password)
	if err != nil {
		t.Fatal(err)
	}
	a.Before = func(w http.ResponseWriter, r *http.Request) bool {
		user, password, _ := r.BasicAuth()
		if user == "seeds" && password == "s3cret" {
			return false
		}
		w.WriteHeader(http.StatusUnauthorized)
		return true
	}
	cfg := authority.Config{URL: a.URL, CAFile: a.CA, Policy: tsatest.Other, User: "seeds", Password: secret}
	token, err := authority.Ask(t.Context(), cfg, note, clock(0))
	if err != nil {
		t.Fatal(err)
	}
	if token.Policy.String() != tsatest.Other || token.Over(note) != nil {
		t.Errorf("%+v", token)
	}
	cfg.User = "somebody"
	if _, err := authority.Ask(t.Context(), cfg, note, clock(0)); err == nil || !strings.HasSuffix(err.Error(), "answered 401 Unauthorized") {
		t.Errorf("%v", err)
	}
}

// TestAskRefusesWhatAHostileAuthoritySends: each by itself, each with its own sentence.
func TestAskRefusesWhatAHostileAuthoritySends(t *testing.T) {
	a := tsatest.Start(t)
	stranger := tsatest.Start(t)
	a.Certify("expired", tsatest.ForTimeStamping, "-days", "-1")
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("a redirect was followed") }))
	defer elsewhere.Close()
	status := func(code int, header, value, body string) func(http.ResponseWriter, *http.Request) bool {
		return func(w http.ResponseWriter, _ *http.Request) bool {
			w.Header().Set("Content-Type", "application/timestamp-reply")
			w.Header().Set(header, value)
			w.WriteHeader(code)
			_, _ = w.Write([]byte(body))
			return true
		}
	}
	var old []byte
	type change = func(a *tsatest.Authority)
	for _, c := range []struct {
		what  string
		do    change
		ahead time.Duration
		want  string // "": it is taken
	}{
		{"nothing wrong", func(a *tsatest.Authority) {
			a.Answer = func(query []byte) []byte { old = a.Reply(query); return old }
		}, 0, ""},
		{"an old token", func(a *tsatest.Authority) { a.Answer = func([]byte) []byte { return old } }, 0,
			"its nonce is not the one that was sent, so it may be an old token"},
		{"a token for other bytes", func(a *tsatest.Authority) {
			a.Answer = func(query []byte) []byte {
				i := bytes.Index(query, []byte{4, 32}) // the digest of 32 bytes
				query[i+2] ^= 1
				return a.Reply(query)
			}
		}, 0, "the time-stamp token is over other bytes"},
		{"nobody's authority", func(a *tsatest.Authority) { a.Answer = stranger.Reply }, 0, "no authority that is trusted here vouches for its certificate"},
		{"a rejection", func(a *tsatest.Authority) {
			a.Answer = func([]byte) []byte { return []byte{0x30, 9, 0x30, 7, 2, 1, 2, 3, 2, 5, 0x20} } // rejection, badRequest (RFC 3161 section 2.4.2)
		}, 0, "the authority gave no token: it rejected the request, because it does not permit the request"},
		{"garbage", func(a *tsatest.Authority) { a.Answer = func([]byte) []byte { return []byte("<html>") } }, 0, "the answer is no time-stamp response (RFC 3161) in DER"},
		{"nothing", func(a *tsatest.Authority) { a.Answer = func([]byte) []byte { return nil } }, 0, "the answer is no time-stamp response"},
		{"too much", func(a *tsatest.Authority) { a.Answer = func([]byte) []byte { return make([]byte, 1<<20) } }, 0, "the answer has more than 65536 bytes"},
		{"a redirect", func(a *tsatest.Authority) { a.Before = status(307, "Location", elsewhere.URL, "") }, 0, "and a redirect is never followed"},
		{"a page", func(a *tsatest.Authority) { a.Before = status(200, "Content-Type", "text/html", "<html>") }, 0, `has the type "text/html", and a time-stamp has application/timestamp-reply`},
		{"a failure", func(a *tsatest.Authority) { a.Before = status(503, "Retry-After", "9", "") }, 0, "answered 503 Service Unavailable"},
		{"half an answer", func(a *tsatest.Authority) { a.Before = status(200, "Content-Length", "900", "half") }, 0, "did not come whole"},
		{"a clock here that is ahead", func(a *tsatest.Authority) {}, time.Minute, "one of the two is wrong"},
		{"a clock here that is behind", func(a *tsatest.Authority) {}, -time.Minute, "one of the two is wrong"},
	} {
		a.Change(func(a *tsatest.Authority) { a.Answer, a.Before = nil, nil; c.do(a) })
		_, err := authority.Ask(t.Context(), authority.Config{URL: a.URL, CAFile: a.CA}, note, clock(c.ahead))
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", c.what, err, c.want)
		}
	}
}

// TestAskTakesNoLongerThanItMay: an authority that answers a byte now and then, and one that is not there.
func TestAskTakesNoLongerThanItMay(t *testing.T) {
	a := tsatest.Start(t)
	release := make(chan struct{})
	a.Before = func(w http.ResponseWriter, r *http.Request) bool {
		w.Header().Set("Content-Type", "application/timestamp-reply")
		w.WriteHeader(http.StatusOK)
		_ = http.NewResponseController(w).Flush()
		select {
		case <-release:
		case <-r.Context().Done():
		}
		return true
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	_, err := authority.Ask(ctx, authority.Config{URL: a.URL, CAFile: a.CA}, note, clock(0))
	close(release)
	if err == nil || !strings.Contains(err.Error(), "did not come whole") {
		t.Errorf("%v", err)
	}
	gone := httptest.NewServer(nil)
	gone.Close()
	_, err = authority.Ask(t.Context(), authority.Config{URL: gone.URL + "/?key=hidden", CAFile: a.CA}, note, clock(0))
	if err == nil || !strings.Contains(err.Error(), "does not answer") || strings.Contains(err.Error(), "hidden") {
		t.Errorf("%v", err)
	}
}

// TestAClockThatWasNeverCheckedJudgesNoAuthority: it has no bound that a time could be held against.
func TestAClockThatWasNeverCheckedJudgesNoAuthority(t *testing.T) {
	a := tsatest.Start(t)
	unchecked := func() record.Stamp {
		return record.Stamp{UTC: record.UTC(time.Unix(0, 0)), Clock: record.ClockUnchecked}
	}
	if _, err := authority.Ask(t.Context(), authority.Config{URL: a.URL, CAFile: a.CA}, note, unchecked); err != nil {
		t.Error(err)
	}
}

func TestRootsThatAreNone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "roots.pem")
	if _, err := authority.Roots(path); err == nil || !strings.HasPrefix(err.Error(), "the authorities for time-stamps cannot be read") {
		t.Errorf("%v", err)
	}
	if err := os.WriteFile(path, []byte("none"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := authority.Roots(path); err == nil || !strings.Contains(err.Error(), "holds no certificates in PEM") {
		t.Errorf("%v", err)
	}
}
