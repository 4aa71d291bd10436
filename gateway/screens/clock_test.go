package screens

import (
	"context"
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// entries is a journal that gives what a test has for a kind, and remembers what it was asked for.
type entries struct {
	console.Entries
	list  map[string][]string
	asked []url.Values
	fails error
}

func (e *entries) ListEntries(_ context.Context, q url.Values) (console.EntryList, error) {
	e.asked = append(e.asked, q)
	var l console.EntryList
	for _, kind := range q["kind"] {
		for _, one := range e.list[kind] {
			l.Entries = append(l.Entries, json.RawMessage(one))
		}
	}
	return l, e.fails
}

func server(address, verdict string, offset, distance float64) console.TimeServer {
	return console.TimeServer{Address: address, Verdict: verdict, Offset: &offset, Distance: &distance}
}

// fourServers are three that agree, one that is far off, and one that is silent.
func fourServers() console.Clock {
	bound, ahead := record.Span(21*time.Millisecond), 0.0021
	return console.Clock{State: "checked", Since: record.UTC(time.Date(2026, 11, 25, 9, 4, 5, 0, time.UTC)), Why: "Three of four time servers agree.", Bound: &bound,
		Ceiling: record.Span(500 * time.Millisecond), Ahead: &ahead, Servers: []console.TimeServer{
			server("time-1.example:123", "agreeing", -0.0020, 0.004), server("time-2.example:123", "agreeing", -0.0010, 0.006),
			server("time-3.example:123", "agreeing", -0.0035, 0.003), server("time-4.example:123", "falseticker", -3.000012, 0.0025),
			{Address: "time-5.example:123", Verdict: "silent", Why: "no answer <b>for</b> 3 minutes"}}}
}

// TestTheClockSaysWhatItsServersSay: state, bound and each server, in words and numbers; what changed; and what is not known is said.
func TestTheClockSaysWhatItsServersSay(t *testing.T) {
	change := `{"schema":"weighpost.clock-changed/1","id":"seed-bank/7qx3/@/000004","seq":4,"from":"unchecked","state":"checked","why":"Three <i>servers</i> agree.","step_s":"-0.002100","stamp":{"utc":"2026-11-25T09:04:05.000000Z","zone":"+01:00","bound_s":0.021,"clock":"checked","sources":3}}`
	journal := &entries{list: map[string][]string{"clock-changed": {change}}}
	l := newLab(t, Deps{Source: source{clock: fourServers()}, Entries: journal, Conditions: conditions{
		{Code: health.ClockFalseticker, Subject: "time-4.example:123", Severity: health.Warning, Sentence: "time-4 is 3 s off.", Remedy: "Name another."},
		{Code: health.PortLost, Subject: "b-1", Severity: health.Error, Sentence: "Not of the clock."}}})
	status, body := l.get(t, "/clock", as(rights.IT))
	for _, want := range []string{"checked: time servers agree", "± 21.0 ms", "is 2.1 ms ahead of the stamps", "−3.000 s", "falseticker", "not known", "no answer &lt;b&gt;for",
		"time-4 is 3 s off.", `href="/settings/clock"`, "far before", `href="/happened/4"`, "-0.002100 s", "Three &lt;i&gt;servers", "1 server that gives no usable answer"} {
		if !strings.Contains(body, want) {
			t.Errorf("no %q on the page", want)
		}
	}
	if status != http.StatusOK || strings.Contains(body, "Not of the clock") || journal.asked[0].Get("sort") != "-seq" {
		t.Errorf("%d, asked %v", status, journal.asked)
	}
	if _, body := l.get(t, "/clock", rights.Who{Rights: rights.Of(rights.See)}); strings.Contains(body, "Three &lt;i&gt;servers") || strings.Contains(body, "/settings/clock") {
		t.Error("whoever may not read the journal reads it, or is offered what they may not do")
	}
	empty := newLab(t, Deps{Source: source{clock: console.Clock{State: "unchecked", Why: "No time server is named."}}, Entries: &entries{}})
	if _, body := empty.get(t, "/clock", as(rights.IT)); !strings.Contains(body, "no stamp is checked") || !strings.Contains(body, "no entry yet") || strings.Contains(body, "<svg viewBox=\"0 0 480") {
		t.Error("without servers the page does not say so")
	}
}

// TestTheChartDrawsIntervalsWhereTheyAre: the agreed span is the overlap of the agreeing intervals (RFC 5905, 11.2.1: each is an offset
// ± root distance), in one scale with each of them, and one that is far off does not squeeze them.
func TestTheChartDrawsIntervalsWhereTheyAre(t *testing.T) {
	chart := chartOf(fourServers())
	perSecond := chart.Rows[0].Width / 0.008
	if len(chart.Rows) != 4 || chart.Silent != 1 || chart.Rows[3].Beyond != "before" {
		t.Fatalf("%+v", chart)
	}
	// By hand: the greatest lower end is −0.006 (1) or −0.0065 (3), so −0.006; the least upper end is −0.0005 (3).
	for what, got := range map[string][2]float64{
		"width of 2":       {chart.Rows[1].Width / perSecond, 0.012},
		"start of 2":       {(chart.Rows[1].From - *chart.Zero) / perSecond, -0.007},
		"width of 3":       {chart.Rows[2].Width / perSecond, 0.006},
		"start of overlap": {(chart.Agreed.From - *chart.Zero) / perSecond, -0.006},
		"width of overlap": {chart.Agreed.Width / perSecond, 0.0055},
		"middle of 1":      {(chart.Rows[0].Mid - *chart.Zero) / perSecond, -0.002},
	} {
		if math.Abs(got[0]-got[1]) > 1e-9 {
			t.Errorf("%s: %v, want %v", what, got[0], got[1])
		}
	}
	if chart.Rows[0].Width < 60 || len(chart.Ticks) < 2 || len(chart.Ticks) > 7 {
		t.Errorf("an interval %v wide, %d ticks", chart.Rows[0].Width, len(chart.Ticks))
	}
	if !strings.Contains(chart.Says, "from −6.0 ms to −500 µs") {
		t.Error(chart.Says)
	}
	none := console.Clock{Servers: []console.TimeServer{server("a", "undecided", 5, 0.1), server("b", "undecided", -5, 0.1)}}
	if c := chartOf(none); c.Agreed != nil || c.Rows[0].Width == 0 || c.Rows[1].Width == 0 || c.Zero == nil {
		t.Errorf("two that contradict each other: %+v", c)
	}
	if chartOf(console.Clock{Servers: []console.TimeServer{server("a", "agreeing", 0, 0)}}) == nil {
		t.Error("an interval without width is not drawn")
	}
}
