//go:build unix

package screens

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// guided is a check that goes on as a test has it, with the routes that a page asks.
type guided struct {
	*tested
	mu   sync.Mutex
	view *console.CheckView
	acts []string
	next func(act console.CheckAct)
}

func (g *guided) set(v console.CheckView) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.view = &v
}

func (g *guided) CheckOn(balance string) (v console.CheckView, ok bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.view == nil || balance != "b-12" {
		return v, false
	}
	return *g.view, true
}

func (g *guided) acted() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return strings.Join(g.acts, "; ")
}

// serve is the API of a check, and before everything else the house.
func (g *guided) serve(t *testing.T, house string) string {
	to, err := url.Parse(house)
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	answer := func(w http.ResponseWriter) {
		if v, ok := g.CheckOn("b-12"); ok {
			_ = json.NewEncoder(w).Encode(v)
			return
		}
		w.WriteHeader(http.StatusNotFound)
		_, _ = w.Write([]byte(`{"title":"No check runs"}`))
	}
	mux.HandleFunc("GET /api/v1/balances/b-12/check", func(w http.ResponseWriter, _ *http.Request) { answer(w) })
	mux.HandleFunc("GET /api/v1/balances/b-12/checks/{check}", func(w http.ResponseWriter, r *http.Request) { _, _ = w.Write([]byte("{}")) })
	mux.HandleFunc("POST /api/v1/balances/b-12/check/act", func(w http.ResponseWriter, r *http.Request) {
		var act console.CheckAct
		if err := json.NewDecoder(r.Body).Decode(&act); err != nil {
			t.Error(err)
		}
		b, _ := json.Marshal(act)
		g.mu.Lock()
		g.acts = append(g.acts, string(b))
		g.mu.Unlock()
		g.next(act)
		answer(w)
	})
	mux.Handle("/", &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(to)
		r.Out.Host = to.Host // the door is as strict as ever, and this stands before it
		r.Out.Header.Del("Origin")
	}})
	s := httptest.NewServer(mux)
	t.Cleanup(s.Close)
	return s.URL
}

// calm is more than the time after a new question in which no key answers it.
const calm = 700 * time.Millisecond

const (
	sayNow = `document.getElementById("say").innerText`
	aloud  = `document.getElementById("heard").textContent`
	phased = `document.querySelector("#phases:not([hidden]) [aria-current]")?.innerText ?? "none"`
)

// openGuided opens a check that asks its first question, as a balance keeper sees it.
func openGuided(t *testing.T) (*guided, *house, string) {
	g := &guided{tested: aLab()}
	facts := twoBalances()
	s := facts.get()
	s.balances[0].Fitness = &record.Fitness{State: record.OutOfService}
	facts.set(s)
	h := openHouse(t, Deps{Source: facts, Fitness: g}, func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			who := as(rights.BalanceKeeper)
			who.Rights[rights.JudgeFailed] = true
			next.ServeHTTP(w, r.WithContext(rights.With(r.Context(), who)))
		})
	})
	return g, h, g.serve(t, h.base)
}

func step(n int, waiting, say, taken string, repeats int) console.CheckView {
	return console.CheckView{Check: record.CheckRef{ID: "b-12/c000003", Definition: "daily"}, By: keeper, Begun: day(29), Step: n, Of: 3, Name: "step", Say: say, Waiting: waiting, Taken: taken, Repeats: repeats,
		Weights: aCheck("c000003", "", 29).Weights}
}

// TestACheckInABrowserByKeysAlone: questions by Enter and Escape, a scan that is no answer, the phases of a load, the wrong weight, a
// step again for a reason, and the end; each told aloud.
func TestACheckInABrowserByKeysAlone(t *testing.T) {
	b := sitDown(t)
	g, h, site := openGuided(t)
	place := step(2, "place", "Place 200 g, F1, set 3 (f1-3-200a), on the centre of the pan.", "", 0)
	doubt := step(2, "confirm", "The balance shows 100.0 g, and about 200 g was expected. Is the right weight on the pan?", "", 0)
	g.next = func(act console.CheckAct) {
		switch {
		case act.Answer == "yes":
			g.set(place)
		case act.Right != nil && !*act.Right:
			g.set(step(2, "lift", "Lift the weight off. Then: place 200 g.", "", 0))
		case act.Repeat != "":
			g.set(step(2, "lift", "Lift the weight off. Then: place it again.", "", 0))
		}
	}
	g.set(step(1, "answer", "Does the balance stand level?", "", 0))
	b.Open(site + "/bench/b-12/check")
	b.Until(aloud, "Step 1 of 3. Does the balance stand level?", "Enter: Yes")
	time.Sleep(calm)
	b.Keys("7")
	b.Press("Enter", 13, "") // a scanner's
	b.Until(sayNow, "stand level")
	if got := g.acted(); got != "" {
		t.Errorf("a scan answered the question: %s", got)
	}
	time.Sleep(calm)
	b.Press("Enter", 13, "")
	b.Until(sayNow, place.Say)
	b.Until(phased, "1", "Place")
	g.set(step(2, "wait", place.Say, "", 0))
	b.Until(phased, "2", "Wait")
	b.Until(aloud, "Wait until it has come to rest")
	h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: grams("200.0001", "stable")})
	b.Until(phased, "3", "Settled")
	g.set(doubt)
	b.Until(aloud, "Is the right weight on the pan?", "Escape: No, another goes on")
	time.Sleep(calm)
	b.Press("Enter", 13, "") // the key that is pressed without looking waves no wrong weight through
	b.Until(`document.querySelector("#asks button:not(.plain)").id`, "no")
	time.Sleep(calm)
	b.Keys(chromium.Escape)
	b.Until(phased, "1", "Lift off")
	g.set(step(3, "place", "Take everything off the pan.", "200.0001 g", 1))
	b.Until(phased, "4", "Taken")
	b.Until(aloud, "Taken: 200.0001 g. Step 3 of 3.")
	b.Text(`(document.getElementById("again").open = true, document.querySelector('#again-form [data-reason]').click(), "")`)
	b.Until(sayNow, "place it again")
	if got, want := g.acted(), `{"answer":"yes"}; {"right":false}; {"repeat":"The weight was touched or stood wrong."}`; got != want {
		t.Errorf("the page did %s, want %s", got, want)
	}
	last := step(3, "ended", "", "200.0001 g", 0)
	last.Outcome = record.CheckFailed
	g.reports["b-12/c000003"] = console.CheckReport{Ended: aCheck("c000003", record.CheckFailed, 29)}
	g.set(last)
	time.Sleep(200 * time.Millisecond)
	g.mu.Lock()
	g.view = nil
	g.mu.Unlock()
	b.Until(`document.getElementById("check").innerText`, "FAILED", "0.0021 g", "the lab's tolerance")
	if got := b.Text(`document.querySelectorAll("img, script:not([src^='/assets/'])").length + document.title`); !strings.HasPrefix(got, "0Check") {
		t.Errorf("words from outside are markup: %s", got)
	}
}

// TestTheLabelOfAWeightChoosesIt where a check is begun, and one that is not to be used is not chosen.
func TestTheLabelOfAWeightChoosesIt(t *testing.T) {
	b := sitDown(t)
	_, _, site := openGuided(t)
	b.Open(site + "/bench/b-12/check")
	scan := func(code string) {
		b.Text(`(document.getElementById("weight-scan").focus(), document.getElementById("weight-scan").value = ` + "`" + code + "`" + `, "")`)
		b.Press("Enter", 13, "")
	}
	b.Until(`String(document.getElementById("weight-scan").disabled)`, "false")
	scan(strings.ToUpper(record.WeightCode("f1-3-100")))
	b.Until(`document.getElementById("scanned").textContent`, "f1-3-100 is chosen: 100 g, F1, set 3.")
	scan(record.WeightCode("m1-500"))
	b.Until(`document.getElementById("scanned").textContent`, "m1-500 is not to be used", "2025-01-01")
	scan("LOT-7")
	b.Until(`document.getElementById("scanned").textContent`, "No reference weight lot-7")
	if got := b.Text(`[...document.querySelectorAll('input[name="weights[]"]:checked')].map((w) => w.value).sort().join()`); got != "f1-3-100,f1-3-200a" {
		t.Errorf("chosen: %s", got)
	}
}
