package http

import (
	"bytes"
	"crypto/rand"
	"encoding/base64"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

// TestThePublishedSignature: secret, id, time, body and signature are those of TestWebhookSign in the Go library of the Standard
// Webhooks project (standard-webhooks/standard-webhooks, libraries/go/webhook_test.go), which its other libraries share.
func TestThePublishedSignature(t *testing.T) {
	key, err := base64.StdEncoding.DecodeString("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := signatures("msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`), [][]byte{key})
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("signed %s, published %s", got, want)
	}
}

// newSecret makes a random secret as the convention writes it.
func newSecret() string {
	b := make([]byte, 32)
	_, _ = rand.Read(b) // which never fails
	return secretPrefix + base64.StdEncoding.EncodeToString(b)
}

// verify has the project's own library verify a request, its replay window included.
func verify(t *testing.T, secret string, h http.Header, body []byte) error {
	t.Helper()
	wh, err := standardwebhooks.NewWebhook(secret)
	if err != nil {
		t.Fatal(err)
	}
	return wh.Verify(body, h)
}

// TestRequestsAreSignedWithEachSecret: while a secret is exchanged, a receiver with the old one and a receiver with the new one both
// take what comes; afterwards only the new one does. Nothing is opened anew for it.
func TestRequestsAreSignedWithEachSecret(t *testing.T) {
	before, after := newSecret(), newSecret()
	file := filepath.Join(t.TempDir(), "signing")
	for name, change := range map[string]func(*Config){
		"entry": func(*Config) {}, "batch": func(c *Config) { c.Body = Batch },
	} {
		t.Run(name, func(t *testing.T) {
			r := newReceiver(t)
			write(t, file, before+"\n")
			s := openSink(t, r.config(change, func(c *Config) { c.Sign = secret(t, "file:"+file) }))
			for _, step := range []struct {
				file     string
				old, new bool
			}{{before, true, false}, {after + "\n" + before, true, true}, {after, false, true}} {
				write(t, file, step.file+"\n")
				if n, err := s.Deliver(t.Context(), sinktest.Weighings(2, 1)); n != 2 || err != nil {
					t.Fatal(n, err)
				}
				h, body := r.last()
				if got := verify(t, before, h, body) == nil; got != step.old {
					t.Errorf("with the old secret: verified %v, want %v", got, step.old)
				}
				if got := verify(t, after, h, body) == nil; got != step.new {
					t.Errorf("with the new secret: verified %v, want %v", got, step.new)
				}
				if verify(t, after, h, append(bytes.Clone(body), ' ')) == nil || verify(t, before, h, append(bytes.Clone(body), ' ')) == nil {
					t.Error("a body that was changed is taken")
				}
			}
		})
	}
}

// TestASignedAttemptHasTheSameIDAndItsOwnTime: the id tells a receiver that it has the entry, the time that this is no replay.
func TestASignedAttemptHasTheSameIDAndItsOwnTime(t *testing.T) {
	e := record.Entry{ID: "north-lab/7qx3/b-12/000184", JSON: []byte(`{}`)}
	key := bytes.Repeat([]byte{7}, leastSecret)
	first, second := http.Header{}, http.Header{}
	sign(first, messageID([]record.Entry{e}), time.Unix(1000, 0), e.JSON, [][]byte{key})
	sign(second, messageID([]record.Entry{e}), time.Unix(2000, 0), e.JSON, [][]byte{key})
	if first.Get(headerID) != e.ID || second.Get(headerID) != e.ID {
		t.Errorf("ids %q and %q", first.Get(headerID), second.Get(headerID))
	}
	if second.Get(headerTime) != "2000" || first.Get(headerSignature) == second.Get(headerSignature) {
		t.Errorf("times %q and %q", first.Get(headerTime), second.Get(headerTime))
	}
}

// TestAnIDCannotShiftWhatIsSigned: an id with a full stop could move a part of the time or of the body into the id.
func TestAnIDCannotShiftWhatIsSigned(t *testing.T) {
	seen := map[string]string{}
	for _, id := range append([]string{"a.1", "a%2E1", "a b"}, sinktest.Hostile...) {
		got := messageID([]record.Entry{{ID: id}})
		if strings.ContainsAny(got, ". :\r\n") || seen[got] != "" {
			t.Errorf("%q becomes %q, as does %q", id, got, seen[got])
		}
		seen[got] = id
	}
	if got := messageID([]record.Entry{{ID: "a/1"}, {ID: "b/2"}}); got != "a/1:b/2" {
		t.Errorf("a batch is %q", got)
	}
}

func TestSecretsThatCannotSign(t *testing.T) {
	short := secretPrefix + base64.StdEncoding.EncodeToString(make([]byte, leastSecret-1))
	long := secretPrefix + base64.StdEncoding.EncodeToString(make([]byte, mostSecret+1))
	file := filepath.Join(t.TempDir(), "signing")
	r := newReceiver(t)
	s := openSink(t, r.config(func(c *Config) { c.Sign = secret(t, "file:"+file) }))
	for text, want := range map[string]string{
		"hunter2-hunter2": "number 1 is no secret for signing", newSecret() + "\n" + short: "number 2 has 23 bytes", long: "number 1 has 65 bytes",
		strings.Repeat(newSecret()+"\n", mostSecrets+1): "there are 6 secrets",
	} {
		write(t, file, text)
		n, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
		if n != 0 || outcome(err) != "stopped" || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "hunter2") || strings.Contains(err.Error(), "AAAA") {
			t.Errorf("%d, %v, want %q", n, err, want)
		}
	}
	if len(r.received()) > 0 {
		t.Error("something went out without a signature")
	}
	write(t, file, newSecret())
	if n, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1)); n != 1 || err != nil {
		t.Errorf("with a good one again: %d, %v", n, err)
	}
}

func write(t *testing.T, file, text string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}
