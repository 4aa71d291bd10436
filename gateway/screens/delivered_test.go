package screens

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// parkedThere is what is set aside for one sink.
type parkedThere struct {
	console.Deliveries
	list  []console.ParkedEntry
	fails error
	after uint64
}

func (p *parkedThere) Parked(_ context.Context, _ string, after uint64, limit int) ([]console.ParkedEntry, error) {
	p.after = after
	return p.list[:min(limit, len(p.list))], p.fails
}

const hostileWords = `<script>alert(1)</script>"' onload=x ` + "\u202e"

func threeSinks() source {
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	return source{sinks: []console.Sink{
		{ID: "lab", Kind: "http", State: "stopped", Why: hostileWords, LastError: hostileWords, FailedAt: &at, Delivered: 12345, Parked: 2, Lag: 1234, BehindSince: &at, NextTry: &at, Where: "http https://lims.example/in"},
		{ID: "broker", Kind: "mqtt", State: "working", Delivered: 7, LastSuccess: &at, Where: "mqtt broker.example:1883"},
		{ID: "share", Kind: "files", State: "retrying", Why: "the folder is away", Lag: 1, Where: "files /srv/out"},
	}}
}

func TestEachSinkSaysHowFarItIsAndWhatToDo(t *testing.T) {
	l := newLab(t, Deps{Source: threeSinks(), Conditions: conditions{{Code: health.SinkStopped, Subject: "lab", Severity: health.Error,
		Sentence: "Destination lab is stopped: " + hostileWords, Remedy: "Mend the cause; " + hostileWords}}})
	for role, try := range map[string]bool{rights.BalanceKeeper: true, rights.IT: true, rights.Operator: false, rights.Auditor: false, "": false} {
		status, body := l.get(t, "/delivered", as(role))
		for _, want := range []string{"behind by 1\u202f234 entries", "behind by 1 entry", "has everything", "2 entries</span>", "2026-11-25", "12\u202f345", "https://lims.example/in", "stopped: somebody has to act",
			"Mend the cause", "&lt;script&gt;", `href="/delivered/lab"`, "<U+202E>"} {
			want = strings.ReplaceAll(want, "2 entries</span>", "2 entries refused")
			want = strings.ReplaceAll(want, "<U+202E>", "&lt;U&#43;202E&gt;")
			if status != http.StatusOK || !strings.Contains(body, want) {
				t.Errorf("%q: %d, no %q", role, status, want)
			}
		}
		if strings.Contains(body, "<script>alert") {
			t.Error("what a far side says is markup")
		}
		if offered := strings.Contains(body, "lab/try-now"); offered != try {
			t.Errorf("%q: offered to try: %v", role, offered)
		}
		if strings.Contains(body, "broker/try-now") {
			t.Error("a sink that works is offered to be tried")
		}
	}
	if _, body := l.get(t, "/delivered?part=sinks", as("")); !strings.Contains(body, "data-part=\"sinks\"") || strings.Contains(body, "<nav") {
		t.Errorf("a part: %.200s", body)
	}
	if _, body := newLab(t, Deps{}).get(t, "/delivered", as(rights.IT)); !strings.Contains(body, "Nothing is delivered anywhere yet") || !strings.Contains(body, `href="/settings/sinks"`) {
		t.Error("without sinks the page does not say what to do first")
	}
	if _, body := newLab(t, Deps{}).get(t, "/delivered", as(rights.Operator)); strings.Contains(body, `href="/settings/sinks"`) {
		t.Error("who may not is led to the settings")
	}
}

func TestWhatWasRefusedIsListedWithWhy(t *testing.T) {
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	shelf := &parkedThere{}
	for i := range parkedShown + 1 {
		shelf.list = append(shelf.list, console.ParkedEntry{Seq: uint64(i + 5), ID: "seed-bank/7qx3/b-1/000005", Kind: record.KindWeighing, UTC: at, What: "1.000 g of " + hostileWords, Since: at, Why: hostileWords, Notice: 77, Retried: &at})
	}
	note := func(seq, sink string) string {
		return `{"schema":"weighpost.parked-dropped/1","id":"seed-bank/7qx3/@/0000` + seq + `","seq":` + seq + `,"dropped":true,"sink":"` + sink + `","entries":[{"seq":5,"id":"e5","notice":77}],"reason":"<i>test</i>","by":{"id":"ada","by":"password"},"stamp":{"utc":"2026-11-25T09:04:05.000000Z","zone":"+01:00","clock":"unchecked"}}`
	}
	l := newLab(t, Deps{Source: threeSinks(), Deliveries: shelf, Entries: &entries{list: map[string][]string{"parked-dropped": {note("90", "lab"), note("91", "share")}}}})
	status, body := l.get(t, "/delivered/lab?after=4", as(rights.BalanceKeeper))
	for _, want := range []string{`href="/weighed/seed-bank/7qx3/b-1/000005"`, `href="/happened/77"`, "&lt;script&gt;", "asked for again", `value="retry"`, `value="drop"`, "?after=104", `href="/happened/90"`, "&lt;i&gt;test"} {
		if status != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%d, no %q", status, want)
		}
	}
	if shelf.after != 4 || strings.Contains(body, "<script>alert") || strings.Contains(body, `href="/happened/91"`) {
		t.Error("another part, another sink's past, or markup from outside")
	}
	if _, body := l.get(t, "/delivered/lab", as(rights.Operator)); strings.Contains(body, `value="drop"`) || strings.Contains(body, `name="entry"`) || !strings.Contains(body, "&lt;script&gt;") {
		t.Error("who may not decide is offered to, or does not see why")
	}
	if status, _ := l.get(t, "/delivered/lab", rights.Who{Rights: rights.Of(rights.See)}); status != http.StatusForbidden {
		t.Errorf("without the right to read the journal: %d", status)
	}
	if status, body := l.get(t, "/delivered/%3Cb%3E", as(rights.IT)); status != http.StatusNotFound || strings.Contains(body, "<b>") {
		t.Errorf("a sink that there is not: %d", status)
	}
	shelf.fails = context.DeadlineExceeded
	if status, body := l.get(t, "/delivered/lab", as(rights.IT)); status != http.StatusOK || !strings.Contains(body, "cannot be listed now") {
		t.Errorf("a journal that cannot be read: %d", status)
	}
}
