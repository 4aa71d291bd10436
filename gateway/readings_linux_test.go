package gateway_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// cutLine takes the first digit for nothing: a layout that does not fit what b-1 sends.
const cutLine = "about: One column too far\nframe:\n  ends: [\"\\r\\n\"]\nline: \"{ignore 5}{weight 5} {unit 1}\"\n"

// sees gives the page at a path.
func (v *visitor) sees(path string) (int, string) {
	v.t.Helper()
	resp, err := v.http.Get(v.base + path)
	if err != nil {
		v.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// TestAFrameOfASignedRunIsReadAnew: what each layout makes of it is shown, by API and page; one is chosen with a reason, and the results before and
// after are there. By hand: 12.345 g without its first digit is 2.345 g, and 2.345 g - 10.000 g is -7.655 g.
func TestAFrameOfASignedRunIsReadAnew(t *testing.T) {
	t.Parallel()
	h, b := runHouse(t, "")
	run := netRun(t, h, b)
	h.write(t, "cut.yaml", cutLine)
	if err := h.reload(t, strings.Replace(runLab, "port-2, speed: 115200}, layout: as.yaml", "port-2, speed: 115200}, layout: cut.yaml", 1)); err != nil {
		t.Fatal(err)
	}
	cleo := h.signsIn(t, "cleo", "reviewer")
	h.reviews(t, run, "review", `{"act": "submit"}`, "ada", 200)
	s := cleo.statement(run, record.MeansReviewed)
	if status, said := cleo.asks("POST", "runs/"+run+"/review", fmt.Sprintf(`{"act": "approve", "seen": %d, "signing": {"id": "cleo", "secret": %q, "statement_sha256": %q}}`, s.Last, secondSecret+"cleo", s.SHA256)); status != http.StatusOK {
		t.Fatalf("%d %s", status, said)
	}
	var v console.ReviewView
	h.ask(t, "GET", "runs/"+run+"/review", "", 200, &v)
	of := weighedFor(t, v)[1].ID
	var f console.FrameReadings
	h.ask(t, "GET", "runs/"+run+"/readings?of="+of, "", 200, &f)
	if len(f.Readings) != 2 || f.Of.ID != of || f.More {
		t.Fatalf("%+v", f)
	}
	cut, given := "", map[string]string{}
	for _, r := range f.Readings {
		if r.Value == nil || !r.Now {
			t.Fatalf("%+v", r)
		}
		given[strings.Join(r.Balances, " ")] = r.Value.Shown()
		if r.Layout != f.Layout {
			cut = r.Layout
		}
	}
	if given["b-1 b-2"] != "12.345 g" || given["b-2"] != "2.345 g" {
		t.Errorf("they read %v", given)
	}
	page := "runs/" + run + "/reread?of=" + of
	if status, body := cleo.sees(page); status != http.StatusOK || !strings.Contains(body, `name="layout" value="`+cut+`" required>`) || !strings.Contains(body, `value="`+f.Layout+`" required disabled>`) || !strings.Contains(body, "2.345 g") {
		t.Errorf("%d %s", status, body)
	}
	for said, layout := range map[string]string{"nothing is another": f.Layout, "has or had the layout": "sha256:00"} {
		if _, got := h.reviews(t, run, "corrections", `{"change": "reread", "of": "`+of+`", "layout": "`+layout+`", "reason": "other", "comment": "one column too far"}`, "cleo", 409); !strings.Contains(got, said) {
			t.Errorf("%s: %s", layout, got)
		}
	}
	asked, _ := json.Marshal(map[string]any{"change": "reread", "of": of, "layout": cut, "reason": "other", "comment": "one column too far", "seen": v.Last})
	if status, said := cleo.asks("POST", "runs/"+run+"/corrections", string(asked)); status != http.StatusOK {
		t.Fatalf("%d %s", status, said)
	}
	h.ask(t, "GET", "runs/"+run+"/review", "", 200, &v)
	if v.State != record.RunReviewAgain || v.First[0].Digits != "2.345" || v.Run.Results[0].Digits != "-7.655" || weighedFor(t, v)[1].Value.Digits != "12.345" || len(v.Signatures) != 1 || v.Signatures[0].InForce {
		t.Errorf("%s: %+v, %+v", v.State, v.First, v.Run.Results)
	}
	if c := v.Corrections; len(c) != 1 || c[0].Layout != cut || c[0].Before != "12.345 g" || c[0].After != "2.345 g" || c[0].By.ID != "cleo" || c[0].Was[0].Digits != "2.345" || c[0].Results[0].Digits != "-7.655" {
		t.Errorf("%+v", c)
	}
	if _, body := cleo.sees("runs/" + run + "/review"); !strings.Contains(body, "needs review again") || !strings.Contains(body, "Read anew as <b>2.345") || !strings.Contains(body, "no longer in force") || !strings.Contains(body, "7.655") {
		t.Error("the page of the review does not say so")
	}
	if status, body := cleo.sees("runs/" + run + "/reread?of=none-such"); status != http.StatusNotFound || !strings.Contains(body, "no such weighing of this run") {
		t.Errorf("%d %s", status, body)
	}
	h.stop(t)
}
