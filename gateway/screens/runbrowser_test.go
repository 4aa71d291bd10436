//go:build unix

package screens

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// serve is the API of runs, and before everything else the house.
func (f *ran) serve(t *testing.T, house string) string {
	to, err := url.Parse(house)
	if err != nil {
		t.Fatal(err)
	}
	answer := func(w http.ResponseWriter, r *http.Request, id string) {
		v, err := f.Run(r.Context(), id)
		if err != nil {
			w.WriteHeader(http.StatusNotFound)
			return
		}
		_ = json.NewEncoder(w).Encode(v)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/v1/runs/{run}", func(w http.ResponseWriter, r *http.Request) { answer(w, r, r.PathValue("run")) })
	mux.HandleFunc("POST /api/v1/runs", func(w http.ResponseWriter, r *http.Request) {
		var o console.RunOrder
		if err := json.NewDecoder(r.Body).Decode(&o); err != nil {
			t.Error(err)
		}
		b, _ := json.Marshal(o)
		f.mu.Lock()
		f.acts = append(f.acts, string(b))
		f.mu.Unlock()
		answer(w, r, "r-7qx3-000017")
	})
	mux.HandleFunc("PATCH /api/v1/requests/{from}/{request}", func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		f.mu.Lock()
		f.acts = append(f.acts, string(body))
		f.mu.Unlock()
		_, _ = w.Write([]byte("{}"))
	})
	mux.HandleFunc("POST /api/v1/runs/{run}/act", func(w http.ResponseWriter, r *http.Request) {
		var act console.RunAct
		if err := json.NewDecoder(r.Body).Decode(&act); err != nil {
			t.Error(err)
		}
		b, _ := json.Marshal(act)
		f.mu.Lock()
		f.acts = append(f.acts, string(b))
		f.mu.Unlock()
		if err := f.acted(act); err != nil {
			w.WriteHeader(http.StatusConflict)
			_ = json.NewEncoder(w).Encode(map[string]any{"title": "That cannot be done now", "detail": err.Error(), "status": 409})
			return
		}
		answer(w, r, r.PathValue("run"))
	})
	mux.Handle("/", &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(to)
		r.Out.Host = to.Host // the door is as strict as ever, and this stands before it
		r.Out.Header.Del("Origin")
	}})
	s := httptest.NewServer(mux)
	t.Cleanup(func() { s.CloseClientConnections(); s.Close() }) // also while a page follows what is live
	return s.URL
}

func (f *ran) did() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return strings.Join(f.acts, "; ")
}

// openRuns opens the pages as an operator sees them.
func openRuns(t *testing.T, f *ran) (*house, string) {
	l := runLab(t, f, func(d *Deps) { d.Requests = someRequests() })
	deps := l.deps
	h := openHouse(t, deps, func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			role := rights.Operator
			if strings.HasPrefix(r.URL.Path, "/requests/") {
				role = rights.BalanceKeeper
			}
			next.ServeHTTP(w, r.WithContext(rights.With(r.Context(), as(role))))
		})
	})
	return h, f.serve(t, h.base)
}

const (
	aimNowText = `document.getElementById("aim")?.dataset.is + "|" + document.querySelector(".aim-now")?.innerText.replace(/\s+/g, " ")`
	aimSeeds   = `document.querySelectorAll("[data-seed].full").length + "+" + document.querySelectorAll("[data-past].full").length`
)

// runEyes are a browser before the pages of runs.
type runEyes struct {
	*chromium.Seat
	t    *testing.T
	f    *ran
	h    *house
	site string
}

// set has the run go on as a test has it.
func (e *runEyes) set(how func(*console.RunView)) {
	e.f.mu.Lock()
	v := e.f.views[0]
	e.f.mu.Unlock()
	v.Seq++
	how(&v)
	e.f.set(v)
}

// weighs has the balance show a weight until the page tells of it: until its stream is open, nothing comes.
func (e *runEyes) weighs(digits, stability, want string) {
	e.t.Helper()
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
		e.h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: grams(digits, stability)})
		if strings.Contains(e.Text(aimNowText), want) {
			return
		}
	}
	e.t.Fatalf("with %s on it the page shows %q, and never %q", digits, e.Text(aimNowText), want)
}

// TestARunInABrowser: the script judges the target as the server does; a weight that grows is told by number, word, shape and seeds, and
// aloud by the word; what was stopped stays; scans, keys and reasons do what they say, and what cannot be undone is asked for once more.
func TestARunInABrowser(t *testing.T) {
	f := &ran{views: []console.RunView{anOpenRun()}, acted: func(console.RunAct) error { return nil }}
	e := &runEyes{Seat: sitDown(t), t: t, f: f}
	e.h, e.site = openRuns(t, f)
	e.Open(e.site + "/runs/r-7qx3-000017")
	judgeAlike(t, e.Seat)
	e.pours()
	e.scans()
	e.begunCodes()
	e.reads()
	e.abandons()
	f.set(anOpenRun())
	e.benches()
	e.begins()
	e.changes()
	pictures(t, e.Seat, e.site)
}

// pours has a weight come to its target and beyond, and be taken by a key.
func (e *runEyes) pours() {
	e.t.Helper()
	e.weighs("10.0000", "unstable", "under|2.6234 g too little")
	e.Until(aimSeeds, "4+0")
	e.Until(aloud, "Weight: too little.")
	e.Shoot("run-under", true)
	e.weighs("12.6234", "stable", "within|exactly the target within")
	e.Until(aloud, "Weight: within.")
	e.Shoot("run-within", true)
	e.weighs("13.0000", "stable", "over|0.3766 g too much")
	e.Until(aimSeeds, "9+2")
	e.Shoot("run-over", true)
	e.Until(`document.querySelector(".stopped-line").innerText`, "C-99 is not in this run")
	e.Text(`document.activeElement.blur()`)
	time.Sleep(calm)
	e.Press("Enter", 13, "")
	wantActs(e.t, e.f, `{"take":true}`)
}

// scans has a wrong cup scanned, and the right one, and a number refused.
func (e *runEyes) scans() {
	e.t.Helper()
	e.f.acted = func(act console.RunAct) error {
		if act.Scan == "C-99" {
			e.set(func(v *console.RunView) { v.Next.Note = "C-99 is not in this run" })
			return nil
		}
		e.set(func(v *console.RunView) {
			v.Next = console.RunInstruction{Step: "count", Do: "ask", Number: 4, Of: 9, Say: "How many seeds?", Waiting: "answer", Kind: "quantity", Unit: "1"}
		})
		return nil
	}
	e.set(func(v *console.RunView) {
		v.Next = console.RunInstruction{Step: "cup", Number: 3, Of: 9, Say: "Scan the cup.", Waiting: "scan", MayBack: "pour"}
	})
	e.Until(sayNow, "Scan the cup.")
	e.Until(aloud, "Step 3 of 9. Scan the cup.")
	e.Until(`document.activeElement.id`, "scan")
	e.Enters("C-99")
	e.Until(`document.querySelector(".stopped-line")?.innerText ?? ""`, "C-99 is not in this run")
	e.Until(`document.activeElement.id + document.activeElement.value`, "scan")
	e.Enters("C-17")
	e.Until(sayNow, "How many seeds?")
	wantActs(e.t, e.f, `{"take":true}; {"scan":"C-99"}; {"scan":"C-17"}`)
	e.f.acted = func(act console.RunAct) error { return errAgain }
	e.Until(`document.activeElement.id`, "answer")
	e.Enters("100")
	e.Until(`document.getElementById("wrong").innerText`, "That cannot be done now. Ben is at it.")
}

// begunCodes has a code begun before its field has the keyboard, while the page is written anew, and before there is a field: it arrives whole, since a
// part of it could be the code of another sample. An answer that is sent is not in front of the next one.
func (e *runEyes) begunCodes() {
	e.t.Helper()
	scan := console.RunInstruction{Step: "cup", Number: 3, Of: 9, Say: "Scan the next cup.", Waiting: "scan"}
	e.f.acted = func(act console.RunAct) error {
		e.set(func(v *console.RunView) { v.Next.Note = "it was " + act.Scan + act.Answer })
		return nil
	}
	took := func(what string) {
		e.t.Helper()
		e.Until(`document.querySelector(".stopped-line")?.innerText ?? ""`, "It was "+what)
		e.Until(`String(document.querySelector("[data-first]").value.length)`, "0")
	}
	e.set(func(v *console.RunView) { v.Next = scan })
	e.Until(`document.activeElement.id`, "scan")
	e.Text(`(document.activeElement.blur(), "")`)
	e.Keys("S")
	e.Text(`(document.getElementById("scan").focus(), "")`)
	e.Enters("C-98")
	took("SC-98")
	e.Keys("SC-")
	e.set(func(v *console.RunView) { v.Next.Unheard = true })
	e.Until(`document.querySelector(".unheard")?.innerText ?? ""`, "cannot be heard")
	e.Enters("97")
	took("SC-97")
	e.set(func(v *console.RunView) {
		v.Next = console.RunInstruction{Step: "rinse", Number: 4, Of: 9, Say: "Rinse it.", Waiting: "done"}
	})
	e.Until(sayNow, "Rinse it.")
	e.Text(`(window.now = Date.now, Date.now = () => 1e12, "")`) // however slow this computer is, the code is typed quickly
	e.Keys("SC-")
	e.set(func(v *console.RunView) { v.Next = scan })
	e.Until(`document.activeElement.id`, "scan")
	e.Enters("96")
	took("SC-96")
	e.Text(`(Date.now = window.now, "")`)
	e.set(func(v *console.RunView) {
		v.Next = console.RunInstruction{Step: "count", Do: "ask", Number: 5, Of: 9, Say: "How many are left?", Waiting: "answer", Kind: "quantity", Unit: "1"}
	})
	e.Until(`document.activeElement.id`, "answer")
	e.Enters("100")
	took("100")
	wantActs(e.t, e.f, `{"take":true}; {"scan":"C-99"}; {"scan":"C-17"}; {"answer":"100"}; {"scan":"SC-98"}; {"scan":"SC-97"}; {"scan":"SC-96"}; {"answer":"100"}`)
}

// reads has an instrument send something while somebody types: nothing of that is lost. With nothing typed, Enter takes the reading that is shown.
func (e *runEyes) reads() {
	e.t.Helper()
	e.f.acted = func(act console.RunAct) error {
		e.set(func(v *console.RunView) {
			v.Next = console.RunInstruction{Step: "room", Do: "environment", Number: 6, Of: 9, Say: "Look at the air.", Waiting: "done"}
		})
		return nil
	}
	sends := func(offer *console.AirKnown, why string) {
		e.f.mu.Lock()
		v := e.f.views[0]
		e.f.mu.Unlock()
		v.Next.Offers, v.Next.NoOffer = offer, why // nothing is recorded: the run stands as it stood
		e.f.set(v)
	}
	e.set(func(v *console.RunView) {
		v.Next = console.RunInstruction{Step: "room", Do: "environment", Number: 5, Of: 9, Say: "Read the temperature.", Waiting: "answer", Kind: "quantity", Unit: "Cel", NoOffer: "No instrument has sent it."}
	})
	e.Until(`document.querySelector('[data-part="run-offer"]').innerText`, "No instrument has sent it. Type the value.")
	e.Fill("#answer", "19.")
	sends(&console.AirKnown{AirReading: record.AirReading{What: "temperature", Digits: "21.3", Unit: "Cel", Instrument: "meter-3", At: record.UTC(time.Date(2026, 11, 29, 9, 4, 5, 123456000, time.UTC))}}, "")
	e.Until(`document.querySelector('[data-part="run-offer"]').innerText`, "21.3 Cel, read by meter-3", "Take this reading")
	e.Until(`document.activeElement.id + document.activeElement.value`, "answer19.")
	for range 3 {
		e.Press("Backspace", 8, "")
	}
	e.Until(`"empty" + document.activeElement.id + document.activeElement.value.length`, "emptyanswer0")
	e.Press("Enter", 13, "")
	e.Until(sayNow, "Look at the air.")
}

// abandons ends the run, which is asked for once more.
func (e *runEyes) abandons() {
	e.t.Helper()
	e.Text(`(document.getElementById("end").open = true, document.querySelector('#end [data-reason]').click(), "")`)
	e.Until(`document.querySelector("#end .sure:not([hidden])")?.innerText ?? ""`, "It cannot be taken up again.")
	wantActs(e.t, e.f, `{"take":true}; {"scan":"C-99"}; {"scan":"C-17"}; {"answer":"100"}; {"scan":"SC-98"}; {"scan":"SC-97"}; {"scan":"SC-96"}; {"answer":"100"}; {"read":"2026-11-29T09:04:05.123456Z"}`)
	e.f.acted = func(act console.RunAct) error {
		ended := anEndedRun()
		ended.ID, ended.State, ended.Results = "r-7qx3-000017", record.RunAbandoned, nil
		e.f.set(ended)
		return nil
	}
	e.Text(`(document.querySelector("[data-sure-yes]").click(), "")`)
	e.Until(sayNow, "abandoned")
	wantActs(e.t, e.f, `{"take":true}; {"scan":"C-99"}; {"scan":"C-17"}; {"answer":"100"}; {"scan":"SC-98"}; {"scan":"SC-97"}; {"scan":"SC-96"}; {"answer":"100"}; {"read":"2026-11-29T09:04:05.123456Z"}; {"abandon":"The sample is spoilt."}`)
	if got := e.Text(`document.querySelectorAll("main img, script:not([src^='/assets/'])").length + document.title`); !strings.HasPrefix(got, "0Run") {
		e.t.Errorf("words from outside are markup: %s", got)
	}
}

// benches has the bench screen follow the run that is there.
func (e *runEyes) benches() {
	e.t.Helper()
	e.Go(e.site + "/bench/b-12")
	e.Until(`document.getElementById("next").innerText`, "Pour seeds")
	e.weighs("12.6234", "stable", "within")
	e.Shoot("bench-run", true)
	e.set(func(v *console.RunView) { v.Next.Say, v.Next.Note = "Take it off.", "The weight moved." })
	e.Until(`document.getElementById("next").innerText`, "Take it off.")
	e.Until(aloud, "The weight moved.")
}

// begins fills in the form for a run.
func (e *runEyes) begins() {
	e.t.Helper()
	e.Go(e.site + "/runs/new?procedure=thousand-seed-mass")
	e.Until(`String(document.querySelector("#begin button").disabled)`, "false")
	e.Text(`(document.getElementById("items").value = "LOT-1004 ; C-1\nLOT;2\tC-2\n", document.getElementById("p-mass").value = "12.5", document.getElementById("balance").value = "b-12", document.querySelector("#begin button").click(), "")`)
	e.Until(`location.pathname`, "/runs/r-7qx3-000017")
	if got := e.f.did(); !strings.HasSuffix(got, `{"procedure":"thousand-seed-mass","balance":"b-12","items":[{"sample":"LOT-1004","container":"C-1"},{"sample":"LOT;2","container":"C-2"}],"parameters":{"mass":"12.5 g","per_count":"100"}}`) {
		e.t.Errorf("the form asked for %s", got)
	}
}

// changes gives a request another time at which it is due, in the zone that the page names, and then none; left as it is, it is not sent.
func (e *runEyes) changes() {
	e.t.Helper()
	zone := e.Text(`document.documentElement.dataset.zone`)
	for _, c := range []struct{ due, sent string }{
		{"2026-12-01 13:30", `{"priority":1,"balance":"b-12","due":"2026-12-01T13:30:00` + zone + `","reason":"the customer waits"}`},
		{"", `{"priority":1,"balance":"b-12","due":null,"reason":"the customer waits"}`},
		{"same", `{"priority":1,"balance":"b-12","reason":"the customer waits"}`},
	} {
		e.Go(e.site + "/requests/lims/R-1")
		e.Until(`String(document.querySelector("#due").form.querySelector("button").disabled)`, "false")
		e.Text(`(() => { const f = document.getElementById("due").form; if ("` + c.due + `" !== "same") f.elements.due.value = "` + c.due + `"; f.elements.reason.value = "the customer waits"; f.requestSubmit(); return ""; })()`)
		got := ""
		for limit := time.Now().Add(5 * time.Second); time.Now().Before(limit) && !strings.HasSuffix(got, c.sent); time.Sleep(20 * time.Millisecond) {
			got = e.f.did()
		}
		if !strings.HasSuffix(got, c.sent) {
			e.t.Errorf("%q: the form sent %s", c.due, got)
		}
	}
}

type again string

func (a again) Error() string { return string(a) }

const errAgain = again("Ben is at it.")

func wantActs(t *testing.T, f *ran, want string) {
	t.Helper()
	got := ""
	for limit := time.Now().Add(5 * time.Second); time.Now().Before(limit); time.Sleep(20 * time.Millisecond) {
		if got = f.did(); got == want {
			return
		}
	}
	t.Errorf("the page did %s, want %s", got, want)
}

// judgeAlike holds the script's judgement against the server's, case by case.
func judgeAlike(t *testing.T, b *chromium.Seat) {
	t.Helper()
	b.Text(`import("/assets/aim.js").then((m) => { window.aimAt = m.aimAt; }), ""`)
	b.Until(`typeof window.aimAt`, "function")
	for _, c := range aimCases {
		a := aimAt(&c.target, c.value())
		args, _ := json.Marshal([]any{a.RunTarget, a.Factors, c.value()})
		got := b.Text(`(() => { const a = window.aimAt(...` + string(args) + `); return a.why ?? [a.is, a.apart, a.net, a.lit, a.past].join("|"); })()`)
		want := a.Why
		if a.Is != "" {
			want = strings.Join([]string{a.Is, a.Apart, a.Net, count(a.Lit), count(a.Past)}, "|")
		}
		if got != want {
			t.Errorf("%s %s against %+v: the script says %q, and the server %q", c.digits, c.unit, c.target, got, want)
		}
	}
}

// pictures keeps the pages at three sizes, dark and on paper, where WEIGHPOST_SHOTS names a folder. No page is wider than its window.
func pictures(t *testing.T, b *chromium.Seat, site string) {
	t.Helper()
	for name, path := range map[string]string{"run": "/runs/r-7qx3-000017", "runs": "/runs", "run-new": "/runs/new?procedure=thousand-seed-mass", "run-record": "/runs/r-7qx3-000017/record", "bench-run": "/bench/b-12"} {
		b.Go(site + path)
		b.Until(`document.readyState + location.pathname`, "complete/")
		for _, width := range []int{390, 1024, 1440} {
			b.Size(width, 768)
			if b.Says(`document.documentElement.scrollWidth > innerWidth`) == "true" {
				t.Errorf("%s is wider than %d px", path, width)
			}
			b.Shoot(name+"-"+strconv.Itoa(width), true)
		}
		if b.Shots == "" {
			continue
		}
		b.Does("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]any{{"name": "prefers-color-scheme", "value": "dark"}}})
		b.Shoot(name+"-dark", true)
		b.Does("Emulation.setEmulatedMedia", map[string]any{"media": "print", "features": []map[string]any{}})
		b.Size(760, 768)
		b.Shoot(name+"-paper", true)
		b.Does("Emulation.setEmulatedMedia", map[string]any{"media": ""})
	}
}
