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

	routing console.Routing
	gone    []console.GoneSink
	held    []console.HeldEntry
	before  uint64
	shown   console.DeliveryPreview
}

func (p *parkedThere) Parked(_ context.Context, _ string, after uint64, limit int) ([]console.ParkedEntry, error) {
	p.after = after
	return p.list[:min(limit, len(p.list))], p.fails
}

func (p *parkedThere) Routing(string) (console.Routing, error) { return p.routing, nil }

func (p *parkedThere) Gone(context.Context) ([]console.GoneSink, error) { return p.gone, nil }

func (p *parkedThere) Held(_ context.Context, _ string, before uint64, limit int) (list console.HeldList, err error) {
	p.before = before
	list.Held = p.held[:min(limit, len(p.held))]
	if len(p.held) > limit {
		list.Next = list.Held[limit-1].Seq
	}
	return list, p.fails
}

func (p *parkedThere) Preview(_ context.Context, sink, id string) (console.DeliveryPreview, error) {
	if p.fails != nil {
		return console.DeliveryPreview{}, p.fails
	}
	shown := p.shown
	shown.Sink, shown.Entry = sink, id
	return shown, nil
}

const hostileWords = `<script>alert(1)</script>"' onload=x ` + "\u202e"

func threeSinks() source {
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	return source{sinks: []console.Sink{
		{ID: "lab", Kind: "http", State: "stopped", Why: hostileWords, LastError: hostileWords, FailedAt: &at, Delivered: 12345, Parked: 2, Lag: 5000, Waiting: 1234, Oldest: "entry-9", PerMinute: 11.6, BehindSince: &at, NextTry: &at, Where: "http https://lims.example/in"},
		{ID: "broker", Kind: "mqtt", State: "working", Delivered: 7, LastSuccess: &at, Where: "mqtt broker.example:1883"},
		{ID: "share", Kind: "files", State: "retrying", Why: "the folder is away", Lag: 1, Where: "files /srv/out"},
	}}
}

func TestEachSinkSaysHowFarItIsAndWhatToDo(t *testing.T) {
	l := newLab(t, Deps{Source: threeSinks(), Conditions: conditions{{Code: health.SinkStopped, Subject: "lab", Severity: health.Error,
		Sentence: "Destination lab is stopped: " + hostileWords, Remedy: "Mend the cause; " + hostileWords}}})
	for role, try := range map[string]bool{rights.BalanceKeeper: true, rights.IT: true, rights.Operator: false, rights.Auditor: false, "": false} {
		status, body := l.get(t, "/delivered", as(role))
		for _, want := range []string{"behind by 1\u202f234 entries", "behind by up to 1 entry", "12 a minute of late", "entry-9", "has everything", "2 entries</span>", "2026-11-25", "12\u202f345", "https://lims.example/in", "stopped: somebody has to act",
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

func TestAPausedSinkSaysWhoAndWhyAndHowToGoOn(t *testing.T) {
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	src := source{sinks: []console.Sink{{ID: "lab", Kind: "http", State: "paused", Why: "by ada", Lag: 3, Parked: 1, Paused: &console.SinkPaused{Who: "Ada <b>Quill</b>", Why: hostileWords, Since: at}},
		{ID: "broker", Kind: "mqtt", State: "working"}}}
	l := newLab(t, Deps{Source: src, Deliveries: &parkedThere{list: []console.ParkedEntry{{Seq: 5, ID: "seed-bank/7qx3/b-1/000005", UTC: at, Since: at}}, routing: console.Routing{Entries: []string{"weighing", "result"}}}})
	for role, may := range map[string]bool{rights.BalanceKeeper: true, rights.IT: true, rights.Reviewer: false, "": false} {
		_, body := l.get(t, "/delivered/lab", as(role))
		for _, want := range []string{"paused by a person", "&lt;b&gt;Quill", "&lt;script&gt;", "2026-11-25", "Weighings and results of every balance."} {
			if !strings.Contains(body, want) {
				t.Errorf("%q: no %q", role, want)
			}
		}
		if strings.Contains(body, "lab/continue") != may || strings.Contains(body, "lab/pause") || strings.Contains(body, "lab/try-now") || strings.Contains(body, `value="retry"`) || strings.Contains(body, `value="drop"`) != may {
			t.Errorf("%q: what is offered for a paused sink is wrong", role)
		}
		if _, body := l.get(t, "/delivered/broker", as(role)); strings.Contains(body, "broker/pause") != may || strings.Contains(body, "broker/continue") {
			t.Errorf("%q: what is offered for a sink that delivers is wrong", role)
		}
	}
}

func TestWhatIsHeldBackIsListedForWhoeverMayReleaseIt(t *testing.T) {
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	shelf := &parkedThere{routing: console.Routing{Entries: []string{"all"}, Balances: []string{"b-1"}, Verdicts: "passed", Hold: "released", Closed: "500"}}
	l := newLab(t, Deps{Source: threeSinks(), Deliveries: shelf})
	if _, body := l.get(t, "/delivered/lab", as(rights.Reviewer)); !strings.Contains(body, "Nothing is held back") || !strings.Contains(body, "500 entries at once") || !strings.Contains(body, "failed by none") {
		t.Error("a sink that holds nothing does not say so, or what it gets is not said")
	}
	for i := range heldListed + 1 {
		shelf.held = append(shelf.held, console.HeldEntry{Seq: uint64(900 - i), ID: "seed-bank/7qx3/b-1/000900", Kind: record.KindWeighing, UTC: at, What: "1.000 g of " + hostileWords})
	}
	for role, may := range map[string]bool{rights.Reviewer: true, rights.BalanceKeeper: false, rights.IT: false, "": false} {
		status, body := l.get(t, "/delivered/lab?before=950", as(role))
		if status != http.StatusOK || !strings.Contains(body, "?before=801#") || !strings.Contains(body, "&lt;script&gt;") || strings.Contains(body, "<script>alert") || shelf.before != 950 {
			t.Errorf("%q: %d, before %d", role, status, shelf.before)
		}
		if offered := strings.Contains(body, `name="held"`) && strings.Contains(body, ">Release</button>"); offered != may {
			t.Errorf("%q: offered to release: %v", role, offered)
		}
	}
}

func TestASinkThatIsGoneIsListedAsLongAsSomethingIsParked(t *testing.T) {
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	shelf := &parkedThere{gone: []console.GoneSink{{ID: "old-broker", Parked: 2}}, list: []console.ParkedEntry{{Seq: 5, ID: "seed-bank/7qx3/b-1/000005", UTC: at, Since: at}}}
	l := newLab(t, Deps{Source: threeSinks(), Deliveries: shelf})
	if _, body := l.get(t, "/delivered", as(rights.BalanceKeeper)); !strings.Contains(body, `href="/delivered/old-broker"`) || !strings.Contains(body, "2 entries parked") {
		t.Error("it is not listed")
	}
	status, body := l.get(t, "/delivered/old-broker", as(rights.BalanceKeeper))
	if status != http.StatusOK || !strings.Contains(body, `value="drop"`) || strings.Contains(body, `value="retry"`) || strings.Contains(body, "old-broker/pause") || strings.Contains(body, "/settings/sinks/old-broker") ||
		!strings.Contains(body, "not configured any more") {
		t.Errorf("%d %s", status, body)
	}
	shelf.gone = nil
	if status, _ := l.get(t, "/delivered/old-broker", as(rights.BalanceKeeper)); status != http.StatusNotFound {
		t.Errorf("nothing is parked for it: %d", status)
	}
}

func TestWhatADestinationGetsIsShownAsItIs(t *testing.T) {
	shelf := &parkedThere{shown: console.DeliveryPreview{Kind: "http", To: "https://lims.example/in?" + hostileWords, Attributes: []console.PreviewPair{{Name: "Idempotency-Key", Value: hostileWords}},
		Type: "text/plain", Size: 30, SHA256: "ab", Body: []byte("x"), Text: "<i>x</i>", NotWanted: "It waits."}}
	l := newLab(t, Deps{Source: threeSinks(), Deliveries: shelf})
	_, body := l.get(t, "/delivered/lab/preview?id=seed-bank/7qx3/b-1/000005", as(rights.Operator))
	for _, want := range []string{"https://lims.example/in?", "Idempotency-Key", "text/plain", "&lt;i&gt;x&lt;/i&gt;", "It waits."} {
		if !strings.Contains(body, want) {
			t.Errorf("no %q", want)
		}
	}
	if strings.Contains(body, "<script>alert") {
		t.Error("what would be sent is markup")
	}
	shelf.shown.Text, shelf.shown.Body = "", append([]byte{0, 0xff}, make([]byte, mostBytesShown)...)
	if _, body := l.get(t, "/delivered/lab/preview?id=x", as(rights.Operator)); !strings.Contains(body, "00 ff") || !strings.Contains(body, "2 bytes follow") {
		t.Error("a body that is no text is not spelled out")
	}
	if status, body := l.get(t, "/delivered/lab/preview", as(rights.Operator)); status != http.StatusOK || !strings.Contains(body, `name="id"`) || strings.Contains(body, "00 ff") {
		t.Errorf("without an entry: %d", status)
	}
	shelf.shown.Refused = "it is too <long>"
	if _, body := l.get(t, "/delivered/lab/preview?id=x", as(rights.Operator)); !strings.Contains(body, "too &lt;long&gt;") || strings.Contains(body, "00 ff") {
		t.Error("why it cannot be sent is not said")
	}
	for err, want := range map[error]int{console.ErrNoSink: 404, console.ErrNoEntry: 404, &record.RequestRefused{Why: "no kind for that"}: 404, context.DeadlineExceeded: 503} {
		shelf.fails = err
		if status, _ := l.get(t, "/delivered/lab/preview?id=x", as(rights.Operator)); status != want {
			t.Errorf("%v: %d", err, status)
		}
	}
	if status, _ := l.get(t, "/delivered/lab/preview?id=x", rights.Who{Rights: rights.Of(rights.See)}); status != http.StatusForbidden {
		t.Errorf("without the right to read the journal: %d", status)
	}
}

// TestWhatIsHeldForItsBalanceIsListed: also at a destination that holds nothing back by itself, with why.
func TestWhatIsHeldForItsBalanceIsListed(t *testing.T) {
	at := record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 0, time.UTC))
	shelf := &parkedThere{routing: console.Routing{Entries: []string{"weighing"}}}
	l := newLab(t, Deps{Source: threeSinks(), Deliveries: shelf})
	if _, body := l.get(t, "/delivered/broker", as(rights.BalanceKeeper)); strings.Contains(body, "held-title") {
		t.Error("a destination that holds nothing back says that it does")
	}
	shelf.held = []console.HeldEntry{{Seq: 7, ID: "seed-bank/7qx3/b-1/000007", Kind: record.KindWeighing, UTC: at, What: "1.000 g", Why: "balance out of service"}}
	for role, may := range map[string]bool{rights.BalanceKeeper: false, rights.Reviewer: true} {
		_, body := l.get(t, "/delivered/broker", as(role))
		if !strings.Contains(body, `href="/weighed/seed-bank/7qx3/b-1/000007"`) || !strings.Contains(body, "balance out of service") || strings.Contains(body, `name="held"`) != may {
			t.Errorf("%s: %s", role, body)
		}
	}
}
