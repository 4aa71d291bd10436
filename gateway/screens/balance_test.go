package screens

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const aWeighing = `{"schema":"weighpost.weighing/1","id":"seed-bank/7qx3/b-12/000007","seq":12,"balance":{"id":"b-12"},"value":{"digits":"9.3450","unit":"g","printed_unit":"g","kind":"net","stability":"stable","range":"in"},` +
	`"stamp":{"utc":"2026-11-25T09:04:05.000000Z","zone":"+01:00","bound_s":0.021,"clock":"checked","sources":3},"context":{"person":{"id":"P-07","by":"signed-in"},"sample":{"id":"LOT-<b>9","by":"scanned"}}}`

// TestOneBalanceSaysWhatItShowsAndWhy: the weight, what it is tied to and how that was learnt, its records, its port, and the bytes of
// what could not be read.
func TestOneBalanceSaysWhatItShowsAndWhy(t *testing.T) {
	s := twoBalances().get()
	live, uses := record.Live{UTC: record.UTC{}, Value: grams("12.3450", "unstable")}, 1
	s.balances[0].Live, s.balances[0].Context = &live, []record.ContextHeld{{Name: "sample", ID: "LOT-9", By: "scanned", Uses: &uses}}
	journal := &entries{list: map[string][]string{"weighing": {aWeighing}}}
	deps := Deps{Source: s, Entries: journal, Conditions: conditions{{Code: health.UnreadFrames, Subject: "b-12", Severity: health.Warning, Sentence: "Frames do not fit.", Remedy: "Compare."},
		{Code: health.PortLost, Subject: "b-13", Severity: health.Error, Sentence: "Of another."}}}
	l := newLab(t, deps)
	status, body := l.get(t, "/balances/b-12", as(rights.BalanceKeeper))
	for _, want := range []string{"12.3450", "moving, net", "LOT-9", "scanned, for one weighing", "9.3450 g", "/weighed/seed-bank/7qx3/b-12/000007", "LOT-&lt;b&gt;9", "signed-in",
		"30 frames, of which 2 could not be read; 3 characters arrived damaged", "no parity and no check characters", "half a line", "<span>3c</span> <span>62</span> <span>3e</span> <span>02</span>", `<span class="named">STX</span>`, `<span class="named">xFF</span>`,
		"Frames do not fit.", "cannot be asked", `href="/bench/b-12"`, `href="/balances/b-12/label"`, `href="/settings/balances/b-12"`, `href="/wall/b-12"`} {
		if !strings.Contains(body, want) {
			t.Errorf("no %q on the page", want)
		}
	}
	if status != http.StatusOK || strings.Contains(body, "Of another.") || strings.Contains(body, "<b>") || strings.Contains(body, "/read\"") {
		t.Errorf("%d: what belongs elsewhere is there", status)
	}
	if want := (url.Values{"kind": {"weighing", "result"}, "balance": {"b-12"}, "sort": {"-seq"}, "limit": {"20"}}); len(journal.asked) != 1 || journal.asked[0].Encode() != want.Encode() {
		t.Errorf("asked the journal for %v", journal.asked)
	}
	s.balances[0].Asking = &console.Asking{Questions: 9, Answers: 6, Missed: 3}
	if _, body := l.get(t, "/balances/b-12", as(rights.Operator)); !strings.Contains(body, `data-send="POST /api/v1/balances/b-12/read"`) || strings.Contains(body, "/settings/balances") ||
		!strings.Contains(body, "answered 6 of 9 questions") {
		t.Error("whoever may weigh is not offered to record, or is offered more")
	}
	if _, body := l.get(t, "/balances/b-12", as(rights.Auditor)); strings.Contains(body, "/read\"") {
		t.Error("whoever may not weigh is offered to record")
	}
	if _, body := l.get(t, "/balances/b-12", rights.Who{Rights: rights.Of(rights.See)}); strings.Contains(body, "000007") {
		t.Error("whoever may not read the journal sees what was weighed")
	}
	journal.fails = errors.New("the disk <i>failed</i>")
	if _, body := l.get(t, "/balances/b-12", as(rights.Auditor)); !strings.Contains(body, "cannot be read now: the disk &lt;i&gt;") {
		t.Error("that there is no list is not said")
	}
	for _, path := range []string{"/balances/b-99", "/wall/b-99"} {
		if status, _ := l.get(t, path, as(rights.Auditor)); status != http.StatusNotFound {
			t.Errorf("%s: %d", path, status)
		}
	}
}

// TestTheWallOnlyShows: large digits, who may not act and nothing to act with; some balances, or one; and NOT RECORDING.
func TestTheWallOnlyShows(t *testing.T) {
	deps := Deps{Source: twoBalances().get()}
	l := newLab(t, deps)
	for path, want := range map[string]string{"/wall": "b-12 b-13", "/wall/b-13": "b-13", "/wall?balance=b-12": "b-12", "/wall?place=nowhere": ""} {
		_, body := l.get(t, path, as(rights.IT))
		var got []string
		for _, id := range []string{"b-12", "b-13"} {
			if strings.Contains(body, `data-balance="`+id+`"`) {
				got = append(got, id)
			}
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s shows %v", path, got)
		}
		for _, acts := range []string{"<button", "<form", "<input", "<a href", "<nav"} {
			if strings.Contains(body, acts) {
				t.Errorf("%s: there is %s", path, acts)
			}
		}
	}
	if _, body := l.get(t, "/wall?ground=dark", as("")); !strings.Contains(body, "ground-dark") {
		t.Error("it is not dark")
	}
	if _, body := l.get(t, "/wall?ground=%22%3E%3Cb%3E", as("")); strings.Contains(body, "ground-") {
		t.Error("a ground that there is not")
	}
	deps.Conditions = conditions{{Code: health.RecordingStopped, Subject: "journal", Severity: health.Error, Sentence: "The disk is full."}}
	if _, body := newLab(t, deps).get(t, "/wall", as("")); strings.Contains(body, `class="not" hidden`) || !strings.Contains(body, "NOT RECORDING") {
		t.Error("that nothing is recorded is not said")
	}
}

// TestTheOverviewStaysUsableWithManyBalances: it can be searched without a script, and says so where nothing is found; with none, it
// says what to do first, to whoever can do it.
func TestTheOverviewStaysUsableWithManyBalances(t *testing.T) {
	var s source
	for i := range 256 {
		b := console.Balance{ID: "b-" + string(rune('a'+i/26%26)) + string(rune('a'+i%26)), Place: []string{"purity room", "cold store"}[i%2], PortUp: true, Port: "/dev/x"}
		s.balances = append(s.balances, b)
	}
	l := newLab(t, Deps{Source: s, Conditions: conditions{{Code: health.PortLost, Subject: "b-ab", Severity: health.Error, Sentence: "It went."}}})
	for query, want := range map[string]int{"": 256, "?find=B-A": 26, "?place=cold+store": 128, "?trouble=1": 1, "?find=COLD&trouble=1": 1, "?find=nothing": 0} {
		_, body := l.get(t, "/"+query, as(""))
		cards := strings.Count(body, "<li class=\"balance ")
		hidden := 0
		for _, card := range strings.SplitAfter(body, "<li class=\"balance ")[1:] {
			if tag, _, _ := strings.Cut(card, ">"); strings.HasSuffix(tag, " hidden") {
				hidden++
			}
		}
		if cards-hidden != want || strings.Contains(body, `id="none-left" class="empty" hidden`) != (want > 0) {
			t.Errorf("%q shows %d of %d", query, cards-hidden, cards)
		}
	}
	none := newLab(t, Deps{})
	for role, offered := range map[string]bool{rights.BalanceKeeper: true, rights.Operator: false} {
		if _, body := none.get(t, "/", as(role)); !strings.Contains(body, "No balance is configured yet") || strings.Contains(body, `class="button" href="/add"`) != offered {
			t.Errorf("%s: not told what to do first, or offered what they may not do", role)
		}
	}
}
