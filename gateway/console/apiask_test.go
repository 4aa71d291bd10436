package console

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

func TestABalanceIsAskedForItsWeight(t *testing.T) {
	h := open(t)
	const path = "/api/v1/balances/b-12/read"
	for body, want := range map[string]record.ReadRequest{
		"":                                 {Where: "http 127.0.0.1"},
		`{}`:                               {Where: "http 127.0.0.1"},
		`{"record": true, "wait_s": 0.25}`: {Record: true, Wait: 250e6, Where: "http 127.0.0.1"},
	} {
		for _, typed := range []bool{true, false} {
			if body != "" && !typed {
				continue
			}
			h.bench.forget()
			resp, answer := send(t, h, "POST", path, body, func(r *http.Request) {
				if !typed {
					r.Header.Del("Content-Type")
				}
			})
			if resp.StatusCode != 200 || len(h.bench.reads) != 1 || h.bench.reads[0] != want || !strings.Contains(answer, `"digits":"12.3450"`) {
				t.Errorf("%s: %d %s asks for %+v", body, resp.StatusCode, answer, h.bench.reads)
			}
			if strings.Contains(answer, `"recorded":"north-lab/7qx3/b-12/000184"`) != want.Record {
				t.Errorf("%s: %s", body, answer)
			}
		}
	}
}

func TestWhatABalanceAnswersIsTheAnswer(t *testing.T) {
	h := open(t)
	for want, c := range map[int]struct {
		err    error
		detail string
	}{
		409: {&record.AskRefused{Why: "the port is not open"}, "The port is not open."},
		504: {&record.NoAnswer{Why: "balance b-12 has not answered: nothing came within 1s"}, "Nothing came within 1s."},
		503: {fmt.Errorf("balance b-12: %w: %w", record.ErrUnrecorded, context.DeadlineExceeded), "It is not in the journal"},
	} {
		h.bench.answer = c.err
		for _, path := range []string{"/api/v1/balances/b-12/read", "/api/v1/balances/b-12/commands/tare"} {
			resp, body := send(t, h, "POST", path, "", nil)
			if resp.StatusCode != want || !strings.Contains(strings.ToLower(body), strings.ToLower(c.detail)) || want == 503 && resp.Header.Get("Retry-After") == "" {
				t.Errorf("%s %v: %d %s", path, c.err, resp.StatusCode, body)
			}
			checkProblem(t, resp, body)
		}
	}
}

// An answer may take longer than other requests have.
func TestABalanceMayTakeItsTime(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.bench.slow = requestTime + 2*time.Second
	if resp, answer := send(t, h, "POST", "/api/v1/balances/b-12/read", `{"record": true}`, nil); resp.StatusCode != 200 || !strings.Contains(answer, "12.3450") {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
}

func TestCommandsAreListedAndSent(t *testing.T) {
	h := open(t)
	resp, body := ask(t, "GET", h.base+"/api/v1/balances/b-12/commands", nil)
	if resp.StatusCode != 200 || !strings.Contains(body, `"caution":"Only with an empty vessel."`) || !strings.Contains(body, `"send":"\"vessel\\r\\n\""`) {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	if resp, body = ask(t, "GET", h.base+"/api/v1/balances/b-13/commands", nil); strings.TrimSpace(body) != `{"commands":[]}` {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	resp, body = send(t, h, "POST", "/api/v1/balances/b-12/commands/tare", "", nil)
	if resp.StatusCode != 200 || !strings.Contains(body, `"caution":"Only with an empty vessel."`) || !strings.Contains(body, `"answer":"T0sNCg=="`) ||
		h.bench.commands[0].Name != "tare" || h.bench.commands[0].Where != "http 127.0.0.1" ||
		*h.bench.commands[0].By != (record.Actor{By: record.ActorToken, Where: "http 127.0.0.1"}) {
		t.Errorf("%d %s %+v", resp.StatusCode, body, h.bench.commands)
	}
	resp, body = send(t, h, "POST", "/api/v1/balances/b-12/commands/explode", "", nil)
	if resp.StatusCode != 404 || !strings.Contains(body, "There are: tare.") {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	checkProblem(t, resp, body)
}

func TestNothingIsSentThatCannotBeRecorded(t *testing.T) {
	h := open(t)
	h.board.Raise(health.Condition{Code: health.RecordingStopped, Subject: "journal", Severity: health.Error, Sentence: "The disk is full."})
	for path, body := range map[string]string{"/api/v1/balances/b-12/read": `{"record": true}`, "/api/v1/balances/b-12/commands/tare": ""} {
		resp, answer := send(t, h, "POST", path, body, nil)
		if resp.StatusCode != 503 || resp.Header.Get("Retry-After") != "5" || !strings.Contains(answer, "The disk is full.") || h.bench.count() != 0 {
			t.Errorf("%s: %d %s, %d", path, resp.StatusCode, answer, h.bench.count())
		}
		checkProblem(t, resp, answer)
	}
	if resp, answer := send(t, h, "POST", "/api/v1/balances/b-12/read", "", nil); resp.StatusCode != 200 {
		t.Errorf("what is not to be recorded needs no journal: %d %s", resp.StatusCode, answer)
	}
}
