//go:build unix

package screens

import (
	"fmt"
	"html/template"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/charts"
	"weighpost/gateway/console"
	"weighpost/gateway/help"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// checked is the history of a balance of a seed bank: an error that scatters, drifts, fails as found, is adjusted, and scatters on; and the
// scatter of ten weighings, once a week.
func checked(days int) console.FitnessView {
	from := time.Now().AddDate(0, 0, -days).Truncate(time.Hour)
	v := console.FitnessView{Balance: record.Balance{ID: "b-1", Readability: "0.0001 g"}}
	add := func(at time.Time, definition, why string, results ...record.CheckResult) string {
		c := &record.CheckEnded{Check: record.CheckRef{ID: fmt.Sprintf("b-1/c%06d", len(v.Checks)+1), Definition: definition, Hash: "sha256:1"}, Balance: v.Balance, Why: why, Results: results}
		c.Stamp.UTC = record.UTC(at)
		v.Checks = append([]*record.CheckEnded{c}, v.Checks...)
		return c.Check.ID
	}
	daily := func(x float64) record.CheckResult {
		one := record.CheckResult{Name: "error at 100 g", Value: fmt.Sprintf("%.5f g", x), Exact: fmt.Sprintf("%.7f", x), Warn: "0.00035 g", Limit: "0.0005 g", From: "the lab's own tolerance", Verdict: record.CheckPassed}
		if math.Abs(x) > 0.0005 {
			one.Verdict = record.CheckFailed
		} else if math.Abs(x) > 0.00035 {
			one.Verdict = record.CheckWarned
		}
		return one
	}
	g := rand.New(rand.NewPCG(11, 5)) // the same picture every time
	scatter := make([]float64, days)
	for i := range scatter {
		scatter[i] = 0.00006 * g.NormFloat64()
	}
	wobble := func(i int) float64 { return scatter[i] }
	third := days * 2 / 3
	for i := range days {
		at := from.AddDate(0, 0, i)
		switch {
		case i < third:
			add(at, "daily", record.CheckScheduled, daily(wobble(i)+0.000012*float64(max(0, i-third/2))))
		case i == third:
			found := add(at, "daily", record.CheckAsFound, daily(0.00061))
			left := add(at.Add(time.Hour), "daily", record.CheckAsLeft, daily(0.00002))
			u := &record.Upkeep{Act: record.Adjusted, AsFound: found, AsLeft: left}
			u.Stamp.UTC = record.UTC(at.Add(2 * time.Hour))
			v.Upkeep = append(v.Upkeep, u)
		default:
			add(at, "daily", record.CheckScheduled, daily(wobble(i)))
		}
		if i%7 == 3 {
			s := 0.00009 + wobble(i)/4
			add(at.Add(3*time.Hour), "weekly", record.CheckScheduled, record.CheckResult{Name: "mean", Value: fmt.Sprintf("%.5f g", 10.00004+wobble(i)), Exact: fmt.Sprintf("%.7f", 10.00004+wobble(i)), Verdict: record.NotJudged},
				record.CheckResult{Name: "standard deviation of 10", Value: fmt.Sprintf("%.6f g", s), Exact: fmt.Sprintf("%.9f", s), Warn: "0.00014 g", Limit: "0.0002 g", Verdict: record.CheckPassed})
		}
	}
	return v
}

// chartPage is a page of nothing but charts.
func chartPage(t *testing.T, v func() console.FitnessView) *lab {
	t.Helper()
	l := newLab(t, Deps{})
	parsed()["only-charts.html"] = func() *template.Template {
		return template.Must(template.Must(framed().Clone()).Parse(`{{define "content"}}{{template "fit-charts" .Data}}{{end}}`))
	}
	t.Cleanup(func() { delete(parsed(), "only-charts.html") })
	l.mux.HandleFunc("/only-charts", func(w http.ResponseWriter, r *http.Request) {
		l.show(w, r, page{Template: "only-charts.html", Title: "Fitness of b-1", Place: "/", Data: struct{ console.FitnessView }{v()}})
	})
	return l
}

var pointLabel = regexp.MustCompile(`<a class="point ([a-z-]+)" href="([^"]+)" tabindex="(-?[0-9]+)" aria-label="([^"]+)"`)

// TestAControlChartSaysTheSameTwice: each point is in the picture and in the table, with its digits as recorded, and one alone is reached by Tab.
func TestAControlChartSaysTheSameTwice(t *testing.T) {
	v := checked(45)
	l := chartPage(t, func() console.FitnessView { return v })
	status, body := l.get(t, "/only-charts", as(""))
	if status != http.StatusOK {
		t.Fatal(status, body)
	}
	chart, _, _ := strings.Cut(body, "</details>")
	picture, numbers, _ := strings.Cut(chart, `<div class="numbers"`)
	points := pointLabel.FindAllStringSubmatch(picture, -1)
	if len(points) != 46 || strings.Count(numbers, "<tr>") != 47 {
		t.Fatalf("%d points, %d rows", len(points), strings.Count(numbers, "<tr>"))
	}
	tabs := 0
	for _, p := range points {
		digits := regexp.MustCompile(`-?[0-9]\.[0-9]{5} g`).FindString(p[4])
		if digits == "" || !strings.Contains(numbers, ">"+digits+"<") || !strings.Contains(numbers, p[2]) {
			t.Errorf("the table has no %q of %s", digits, p[4])
		}
		if p[3] == "0" {
			tabs++
		}
	}
	if tabs != 1 {
		t.Errorf("Tab comes to %d points", tabs)
	}
	for _, want := range []string{"limit 0.0005 g", "limit −0.0005 g", "warning 0.00035 g", "centre ", "control "} {
		if !strings.Contains(picture, want) {
			t.Errorf("no line is named %q", want)
		}
	}
	if !strings.Contains(picture, `failed" href="/balances/b-1/checks/c0000`) || !strings.Contains(chart, "0.00061 g, failed, as found") || !strings.Contains(chart, "first after: adjustment") {
		t.Error("the check before the adjustment that failed is not seen")
	}
	if strings.Count(body, "<details") != 3 || !strings.Contains(body, "standard deviation of 10") {
		t.Errorf("%d charts", strings.Count(body, "<details"))
	}
}

// TestThePageOfABalanceHasItsCharts: they stand on the page of its fitness.
func TestThePageOfABalanceHasItsCharts(t *testing.T) {
	l := newLab(t, Deps{Source: source{balances: []console.Balance{{ID: "b-1"}}}, Fitness: &tested{views: map[string]console.FitnessView{"b-1": checked(45)}}})
	status, body := l.get(t, "/balances/b-1/fitness", as(rights.BalanceKeeper))
	if n := len(pointLabel.FindAllString(body, -1)); status != http.StatusOK || n != 46+2*6 {
		t.Errorf("%d, %d points", status, n)
	}
}

// TestWhatAChartDoesNotHaveItSays: no checks, few points, hostile words, a limit far outside, more points than can be drawn.
func TestWhatAChartDoesNotHaveItSays(t *testing.T) {
	v := console.FitnessView{}
	l := chartPage(t, func() console.FitnessView { return v })
	if _, body := l.get(t, "/only-charts", as("")); !strings.Contains(body, "has found anything yet") {
		t.Error("a balance without checks has nothing to say")
	}
	v = checked(5)
	v.Checks[0].Results[0].Name, v.Checks[1].Results[0].Value = "<b>error</b>", "<i>1</i> g"
	v.Balance.ID = `b"1/<x>`
	if _, body := l.get(t, "/only-charts", as("")); strings.Contains(body, "<b>error") || strings.Contains(body, "<i>1") || strings.Contains(body, `"b"1`) || !strings.Contains(body, "There are no control limits yet") {
		t.Error("words from outside are markup, or too few points have limits")
	}
	v = checked(200)
	for _, c := range v.Checks {
		c.Results[0].Limit, c.Results[0].Warn = "5 g", "4 g"
	}
	_, body := l.get(t, "/only-charts", as(""))
	body, _, _ = strings.Cut(body, "</details>")
	if !strings.Contains(body, "limit 5 g ↑") || !strings.Contains(body, "The newest 60 of 201 points are drawn.") || strings.Contains(body, `class="limit"`) {
		t.Error("a limit that is far outside, or how much is drawn, is not said")
	}
	for _, m := range regexp.MustCompile(`translate\(([^ ]+) ([^)]+)\)`).FindAllStringSubmatch(body, -1) {
		if y, err := strconv.ParseFloat(m[2], 64); err != nil || y < 0 || y > controlHeight {
			t.Errorf("a point at %s", m[0])
		}
	}
}

// TestLabelsDoNotLieOnEachOther: they are moved apart, and stay within the picture.
func TestLabelsDoNotLieOnEachOther(t *testing.T) {
	labels := []controlLabel{{At: 250, Y: 250}, {At: 251, Y: 251}, {At: 252, Y: 252}, {At: 30, Y: 30}, {At: 253, Y: 253}, {At: 31, Y: 31}}
	spread(labels)
	for i := 1; i < len(labels); i++ {
		if labels[i].Y-labels[i-1].Y < labelApart-1e-9 || labels[i].Y > controlHeight {
			t.Errorf("%+v", labels)
		}
	}
}

// TestAChartByKeysInABrowser goes along the points as somebody without a mouse does.
func TestAChartByKeysInABrowser(t *testing.T) {
	v := checked(45)
	l := chartPage(t, func() console.FitnessView { return v })
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		l.mux.ServeHTTP(w, r.WithContext(rights.With(r.Context(), as(""))))
	}))
	defer server.Close()
	b := sitDown(t)
	b.Open(server.URL + "/only-charts")
	const here = `document.activeElement.getAttribute("aria-label") + " | " + document.querySelector(".read-out").textContent + " | " + document.querySelectorAll("[data-chart]")[0].querySelectorAll("a.point[tabindex='0']").length`
	press := func(key string, words ...string) {
		t.Helper()
		b.Press(key, 0, "")
		b.Until(here, words...)
	}
	b.Until(`(document.querySelector("a.point[tabindex='0']").focus(), `+here+`)`, "Check c000052", "| 1")
	press("ArrowLeft", "Check c000051")
	press("Home", "Check c000001", "| 1")
	press("ArrowLeft", "Check c000001")
	press("ArrowRight", "Check c000002")
	press("End", "Check c000052")
	for range 20 { // those on the way have a signal
		press("ArrowUp", "| 1")
		if strings.Contains(b.Text(here), "failed, as found") {
			return
		}
	}
	t.Errorf("arrow up never came to the check that failed: %s", b.Text(here))
}

// TestTheManualNamesWhatChartsSay: every rule, every ready-made number of it.
func TestTheManualNamesWhatChartsSay(t *testing.T) {
	manual, err := help.Page("checks")
	if err != nil {
		t.Fatal(err)
	}
	for _, rule := range charts.Rules() {
		if !strings.Contains(manual.Text, "| "+rule.Rule+" |") {
			t.Errorf("the manual does not say what %q means", rule.Rule)
		}
	}
	for _, number := range []string{fmt.Sprintf("from %d on provisionally, and from %d on", charts.Least, charts.Base), fmt.Sprintf("λ = %g and L = %d", charts.AverageWeight, charts.AverageWidth)} {
		if !strings.Contains(manual.Text, number) {
			t.Errorf("the manual has no %q", number)
		}
	}
}
