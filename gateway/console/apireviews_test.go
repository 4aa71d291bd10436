package console

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// runDesk has one run in review, as the API asks for it.
type runDesk struct{ *runShelves }

func (d runDesk) reviewed() ReviewView {
	at := treadleStamp.UTC
	run := d.view()
	ref := record.EntryRef{Seq: 3, ID: "north-lab/7qx3/b-12/000001"}
	w := &record.Weighing{Head: record.Head{Schema: "weighpost.weighing/1", ID: ref.ID, Seq: 3, Site: "north-lab"}, Balance: record.Balance{ID: "b-12"},
		Value: record.Value{Digits: "10.000", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}, Frame: []byte("10.000 g"), Trigger: "printed",
		Stamp: treadleStamp, Verdicts: []record.Verdict{}, Context: record.Context{Fields: map[string]string{}}, Fitness: record.Fitness{State: record.InService}}
	act := &record.RunReview{Head: record.Head{Schema: "weighpost.run-reviewed/1", ID: "north-lab/7qx3/@/000008", Seq: 8, Site: "north-lab"}, Run: run.RunRef, Act: record.ActSubmit,
		From: record.RunComplete, To: record.RunInReview, Seen: 7, By: treadleBy, Stamp: treadleStamp}
	s := &record.Signature{Head: record.Head{Schema: "weighpost.signature/1", ID: "north-lab/7qx3/@/000007", Seq: 7, Site: "north-lab"}, Run: run.RunRef,
		Meaning: record.MeansPerformed, Statement: "Run: r-7qx3-000001\n", Name: "Ada Quill", How: record.ShownBoth, By: treadleBy, Zone: "Europe/Berlin", Stamp: treadleStamp}
	text, _ := json.Marshal(w)
	return ReviewView{ReviewGlance: ReviewGlance{RunRef: run.RunRef, Title: "Net mass", State: record.RunInReview, Verdict: record.CheckPassed, Items: run.Items, By: treadleBy,
		Begun: at, Ended: &at, Acted: &at, Last: 8, Flags: []string{"under assessment"}, Assessed: []ReviewAssessed{{"b-12/c000004", "b-12", []uint64{3}}}},
		Run: run, First: []record.RunResult{}, Approvals: 1, Allowed: []ReviewAllowed{{record.ActApprove, record.RunApproved, record.MeansReviewed, false}},
		Excluded: []record.EntryRef{ref}, Corrections: []*record.RunCorrected{}, Acts: []*record.RunReview{act}, Signatures: []ReviewSigned{{s, true, ""}},
		Weighings: []*record.Weighing{w}, Weighed: []json.RawMessage{text}, Slips: []*record.LateEntered{}, Balances: []ReviewBalance{{Balance: w.Balance, States: []string{record.InService}}},
		Trail: []json.RawMessage{text}, Covers: []uint64{3, 7, 8}, SeenUpTo: 7, Deliveries: []ReviewDelivery{{ref, "share", "delivered", ""}}, Reasons: []string{"spilt"}}
}

func (d runDesk) RunReviews(ReviewsAsked) ReviewList {
	return ReviewList{Runs: []ReviewGlance{d.reviewed().ReviewGlance}, Reasons: []string{"spilt"}}
}

func (d runDesk) RunReview(_ context.Context, run string) (ReviewView, error) {
	if run != "r-7qx3-000001" {
		return ReviewView{}, record.ErrNoRun
	}
	return d.reviewed(), nil
}

func (d runDesk) ActOnReview(ctx context.Context, run string, a ReviewAct, by record.Actor) (ReviewView, error) {
	switch {
	case run != "r-7qx3-000001":
		return ReviewView{}, record.ErrNoRun
	case a.Act == record.ActSubmit && rights.From(ctx).May(rights.Run) != nil:
		return ReviewView{}, rights.From(ctx).May(rights.Run)
	case a.Seen != 8:
		return ReviewView{}, &record.NotDone{Why: "the run changed meanwhile"}
	case a.Act == record.ActApprove && rights.From(ctx).May(rights.ReviewRuns) != nil:
		return ReviewView{}, rights.From(ctx).May(rights.ReviewRuns)
	case a.Signing != nil && a.Signing.Secret == "wrong":
		return ReviewView{}, rights.ErrWrong
	case a.Signing != nil && a.Signing.Address == "":
		return ReviewView{}, &record.NotDone{Why: "nobody knows from where it is signed"}
	}
	d.did(a)
	return d.reviewed(), nil
}

func (d runDesk) CorrectRun(ctx context.Context, run string, c RunCorrection, by record.Actor) (ReviewView, error) {
	if err := rights.From(ctx).May(rights.Run); err != nil { // as where its state leaves that to whoever performed it
		return ReviewView{}, err
	}
	d.did(c)
	return d.RunReview(context.Background(), run)
}

func (d runDesk) ApproveTogether(_ context.Context, list []TogetherRun, s *Signing, by record.Actor) (out []TogetherOutcome) {
	for _, one := range list {
		d.did(one)
		out = append(out, TogetherOutcome{Run: one.Run, OK: true, State: record.RunApproved})
	}
	return out
}

func (d runDesk) RunReadings(_ context.Context, run, of string) (FrameReadings, error) {
	if of != "north-lab/7qx3/b-12/000001" {
		return FrameReadings{}, &record.NotDone{Why: "it was not weighed for the run " + run}
	}
	return FrameReadings{Of: record.EntryRef{Seq: 3, ID: of}, Layout: "sha256:00", Readings: []FrameReading{{Layout: "sha256:00", Balances: []string{"b-12"}, Now: true,
		Value: &record.Value{Digits: "10.000", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}}, {Layout: "sha256:01", Balances: []string{}, Why: "it cannot be read by it"}}}, nil
}

func (d runDesk) RunStatement(_ context.Context, run, meaning string) (Statement, error) {
	return Statement{Meaning: meaning, Text: "Run: " + run + "\n", SHA256: "00", Last: 8}, nil
}

func (d runDesk) BeginSigning(ctx context.Context, run string, a ReviewAct, redirect string) (to, state string, err error) {
	switch {
	case run != "r-7qx3-000001":
		return "", "", record.ErrNoRun
	case a.Act == record.ActSubmit && rights.From(ctx).May(rights.Run) != nil:
		return "", "", rights.From(ctx).May(rights.Run)
	case a.Seen != 8 || !strings.HasSuffix(redirect, backPath) || a.Signing.Address == "":
		return "", "", &rights.Refused{Why: "no provider keeps the account"}
	}
	d.did(a)
	return "https://provider.example/?state=to-sign", "to-sign", nil
}

func (d runDesk) ShownTo(_ context.Context, statement, ticket string) bool {
	return statement == strings.Repeat("0", 64) && ticket == "shown"
}

func (d runDesk) SigningBy(state string) bool { return state == "to-sign" }

func (d runDesk) FinishSigning(_ context.Context, query url.Values) (string, error) {
	if query.Get("code") != "ok" {
		return "r-7qx3-000001", rights.ErrWrong
	}
	d.did("signed")
	return "r-7qx3-000001", nil
}

// deskBody is a body that a route of reviews takes.
func deskBody(path string) string {
	switch {
	case strings.HasSuffix(path, "/review"):
		return `{"act": "submit", "seen": 8, "by": "ada"}`
	case strings.HasSuffix(path, "/provider"):
		return `{"act": "submit", "seen": 8, "statement_sha256": "` + strings.Repeat("0", 64) + `"}`
	case strings.HasSuffix(path, "/corrections"):
		return `{"change": "exclude", "of": "north-lab/7qx3/b-12/000001", "reason": "spilt", "comment": "beside the dish", "seen": 8, "by": "ada"}`
	case path == runTogetherPath:
		return `{"runs": [{"run": "r-7qx3-000001", "seen": 8, "statement_sha256": "00"}], "signing": {"secret": "x"}, "by": "ada"}`
	}
	return ""
}

// TestWhatTheAPIAnswersOfReviews: every answer is as the description says (the tests of this package all are held against it), and each refusal
// has its status.
func TestWhatTheAPIAnswersOfReviews(t *testing.T) {
	h := open(t)
	review, correct, together := "runs/r-7qx3-000001/review", "runs/r-7qx3-000001/corrections", "reviews/together"
	for _, c := range []struct {
		who, method, path, body string
		want                    int
	}{
		{"auditor", "GET", "reviews", "", 200},
		{"auditor", "GET", "reviews?state=in+review&state=approved&flag=none&limit=3", "", 200},
		{"auditor", "GET", "reviews?state=lost", "", 422},
		{"auditor", "GET", review, "", 200},
		{"auditor", "GET", "runs/none/review", "", 404},
		{"auditor", "GET", "runs/r-7qx3-000001/readings?of=north-lab/7qx3/b-12/000001", "", 200},
		{"auditor", "GET", "runs/r-7qx3-000001/readings?of=another", "", 409},
		{"auditor", "GET", "runs/r-7qx3-000001/readings", "", 422},
		{"operator", "GET", "runs/r-7qx3-000001/statement?meaning=performed", "", 200},
		{"operator", "GET", "runs/r-7qx3-000001/statement?meaning=liked", "", 422},
		{"operator", "POST", review, `{"act": "submit", "seen": 8}`, 200},
		{"operator", "POST", review, `{"act": "submit", "seen": 7}`, 409},
		{"operator", "POST", review, `{"act": "submit"}`, 422},
		{"operator", "POST", review, `{"act": "doubt", "seen": 8}`, 422},
		{"operator", "POST", review, `{"act": "approve", "seen": 8}`, 403},
		{"reviewer", "POST", review, `{"act": "approve", "seen": 8, "signing": {"id": "reviewer", "secret": "right", "statement_sha256": "00"}}`, 200},
		{"reviewer", "POST", review, `{"act": "approve", "seen": 8, "signing": {"id": "reviewer", "secret": "wrong"}}`, 401},
		{"reviewer", "POST", "runs/none/review", `{"act": "approve", "seen": 8}`, 404},
		{"auditor", "POST", review, `{"act": "look", "seen": 8}`, 403},
		{"operator", "POST", correct, `{"change": "exclude", "of": "x", "reason": "spilt", "comment": "y", "seen": 8}`, 200},
		{"operator", "POST", correct, `{"change": "delete", "of": "x", "reason": "spilt", "comment": "y", "seen": 8}`, 422},
		{"operator", "POST", correct, `{"change": "amend", "of": "x", "digits": "1", "reason": "spilt", "comment": "y", "seen": 8}`, 422},
		{"auditor", "POST", correct, `{"change": "exclude", "of": "x", "reason": "spilt", "comment": "y", "seen": 8}`, 403},
		{"reviewer", "POST", together, `{"runs": [{"run": "r-7qx3-000001", "seen": 8, "statement_sha256": "00"}], "signing": {"secret": "x"}}`, 200},
		{"reviewer", "POST", together, `{"runs": [], "signing": {"secret": "x"}}`, 422},
		{"operator", "POST", together, `{"runs": [{"run": "r-7qx3-000001", "seen": 8, "statement_sha256": "00"}], "signing": {"secret": "x"}}`, 403},
	} {
		before := h.shelves.count()
		resp, answer := send(t, h, c.method, "/api/v1/"+c.path, c.body, h.enter(t, c.who))
		if resp.StatusCode != c.want {
			t.Errorf("%s: %s %s %s: %d %s, want %d", c.who, c.method, c.path, c.body, resp.StatusCode, answer, c.want)
		}
		if done := h.shelves.count() > before; done != (c.want == http.StatusOK && c.method == "POST") {
			t.Errorf("%s: %s %s: done %v", c.who, c.path, c.body, done)
		}
		if resp.Header.Get(selfNoted) != "" {
			t.Errorf("%s: the answer says %s", c.path, selfNoted)
		}
	}
}

// TestSigningAtAProviderThroughTheAPI: the browser is sent there, and only the one that was, by the cookie that it got, has something signed when it
// comes back; whoever is told to go on is told to a page of ours.
func TestSigningAtAProviderThroughTheAPI(t *testing.T) {
	h := open(t)
	path := "/api/v1/runs/r-7qx3-000001/review/provider"
	body := func(seen, to string) string {
		return `{"act": "approve", "seen": ` + seen + `, "statement_sha256": "` + strings.Repeat("0", 64) + `", "to": "` + to + `"}`
	}
	if resp, answer := send(t, h, "POST", path, body("7", ""), h.enter(t, "reviewer")); resp.StatusCode != 409 || !strings.Contains(answer, "No provider keeps the account") {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
	resp, answer := send(t, h, "POST", path, body("8", "/runs"), h.enter(t, "reviewer"))
	if resp.StatusCode != 200 || !strings.Contains(answer, `"go_to":"https://provider.example/?state=to-sign"`) || len(resp.Cookies()) != 1 {
		t.Fatalf("%d %s %v", resp.StatusCode, answer, resp.Cookies())
	}
	link := func(query string) (*http.Response, string) {
		t.Helper()
		client := *http.DefaultClient
		client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
		r, err := http.NewRequestWithContext(t.Context(), "GET", h.base+"/runs/r-7qx3-000001/review/provider?"+query, nil)
		if err != nil {
			t.Fatal(err)
		}
		h.enter(t, "reviewer")(r)
		resp, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		said, _ := io.ReadAll(resp.Body)
		return resp, string(said)
	}
	shown := "act=approve&statement_sha256=" + strings.Repeat("0", 64) + "&ticket=shown&seen="
	for query, want := range map[string]string{strings.Replace(shown, "=shown", "=other", 1) + "8": "409 of the page of the review as it was shown", shown: "409 as it was shown", shown + "7": "409 No provider keeps the account"} {
		status, says, _ := strings.Cut(want, " ")
		if resp, said := link(query); strconv.Itoa(resp.StatusCode) != status || !strings.Contains(said, says) || resp.Header.Get("Location") != "" || len(resp.Cookies()) != 0 {
			t.Errorf("%s: %d %s", query, resp.StatusCode, said)
		}
	}
	if resp, said := link(shown + "8"); resp.StatusCode != 303 || resp.Header.Get("Location") != "https://provider.example/?state=to-sign" || len(resp.Cookies()) != 1 {
		t.Errorf("without scripts: %d %s %v", resp.StatusCode, said, resp.Cookies())
	}
	back := func(query string, cookies ...*http.Cookie) (int, string) {
		t.Helper()
		resp, answer := send(t, h, "GET", backPath+query, "", func(r *http.Request) {
			for _, c := range cookies {
				r.AddCookie(c)
			}
		})
		return resp.StatusCode, answer
	}
	before := h.shelves.count()
	if status, said := back("?state=to-sign&code=ok"); status != 400 || !strings.Contains(said, "not begun in this browser") {
		t.Errorf("another browser: %d %s", status, said)
	}
	if status, said := back("?state=to-sign&code=no", resp.Cookies()...); status != 409 || !strings.Contains(said, "Nothing was signed") {
		t.Errorf("the provider says no: %d %s", status, said)
	}
	if h.shelves.count() != before {
		t.Error("something was signed")
	}
	if status, said := back("?state=to-sign&code=ok", resp.Cookies()...); status != 200 || !strings.Contains(said, "It is signed") || !strings.Contains(said, `href="/"`) || h.shelves.count() != before+1 {
		t.Errorf("%d %s", status, said)
	}
}
