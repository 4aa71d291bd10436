//go:build unix

package screens

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"reflect"
	"strings"
	"sync"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// desk is the API as the form of a procedure asks it, and before everything else the house.
type desk struct {
	*writtenOnes
	mu    sync.Mutex
	fails bool // saving is refused
	saved []map[string]any
}

func (d *desk) text(t *testing.T, r *http.Request) (string, map[string]any) {
	var body map[string]any
	decoder := json.NewDecoder(r.Body)
	decoder.UseNumber()
	if err := decoder.Decode(&body); err != nil {
		t.Error(err)
	}
	if form, is := body["form"].(map[string]any); is {
		text, err := procedure.Write(form)
		if err != nil {
			t.Errorf("the page sends a form that cannot be written: %v", err)
		}
		return text, body
	}
	text, _ := body["text"].(string)
	return text, body
}

func (d *desk) serve(t *testing.T, house string) string {
	to, err := url.Parse(house)
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /api/v1/procedures/judge", func(w http.ResponseWriter, r *http.Request) {
		text, _ := d.text(t, r)
		_ = json.NewEncoder(w).Encode(d.JudgeProcedure(text))
	})
	mux.HandleFunc("POST /api/v1/procedures", func(w http.ResponseWriter, r *http.Request) {
		text, body := d.text(t, r)
		d.mu.Lock()
		defer d.mu.Unlock()
		if d.fails {
			w.WriteHeader(http.StatusServiceUnavailable)
			_, _ = w.Write([]byte(`{"title":"The journal is full","detail":"Try again later.","status":503}`))
			return
		}
		body["text"] = text
		d.saved = append(d.saved, body)
		_ = json.NewEncoder(w).Encode(console.ProcedureVersion{ProcedureRef: record.ProcedureRef{Name: "drying", Version: 2}, State: "written"})
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

const (
	formReady = `document.querySelector("#procedure[data-ready]")?.dataset.judged + ", " + document.getElementById("judged")?.textContent`
	stepsNow  = `[...document.querySelectorAll("#steps > li")].map((li) => li.querySelector(".number").textContent + li.querySelector("[data-leaf=step]").value + (li.classList.contains("in-block") ? ":" + li.querySelector("[data-leaf=in]").value : "")).join(" ")`
	withFocus = `document.activeElement.closest(".step-card")?.querySelector("[data-leaf=step]")?.value + " " + document.activeElement.textContent.trim()`
	spoken    = `document.getElementById("heard").textContent`
)

func altArrow(b *chromium.Seat, name string, number int) {
	for _, kind := range []string{"keyDown", "keyUp"} {
		b.Does("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": name, "code": name, "windowsVirtualKeyCode": number, "modifiers": 1})
	}
}

// TestProceduresInABrowser: every ready procedure is the same after it was in the cards; and one is written, moved about, judged, kept as a
// draft, shown as text, and saved, by keyboard and mouse.
func TestProceduresInABrowser(t *testing.T) {
	b := chromium.Sit(t, 8*patience, "")
	l, w := newProcedures(t, nil)
	d := &desk{writtenOnes: w}
	h := openHouse(t, l.deps, func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			next.ServeHTTP(w, r.WithContext(rights.With(r.Context(), writer())))
		})
	})
	site := d.serve(t, h.base)
	roundTrips(t, b, w, site)
	t.Run("moved", func(t *testing.T) { b.For(t); movesCards(b, site) })
	t.Run("judged", func(t *testing.T) { b.For(t); judgesCards(b, site) })
	t.Run("as text", func(t *testing.T) { b.For(t); showsText(b) })
	t.Run("saved", func(t *testing.T) { b.For(t); savesCards(t, b, site, d) })
	b.For(t)
	shootProcedures(b, site)
	if len(b.Said) > 0 {
		t.Errorf("scripts say %s", b.Said)
	}
}

// roundTrips puts every ready procedure into the cards of one page, and reads it out again.
func roundTrips(t *testing.T, b *chromium.Seat, w *writtenOnes, site string) {
	texts := map[string]string{"drying": w.texts["drying2"]}
	for _, ready := range w.ReadyProcedures() {
		texts[ready.Name] = ready.Text
	}
	if len(texts) < 10 {
		t.Errorf("%d procedures", len(texts))
	}
	b.Open(site + "/procedures/new?from=thousand-seed-mass")
	b.Until(formReady, "None: it can be saved")
	b.Text(`import("/assets/procedure-cards.js").then((m) => { window.cards = m })`)
	b.Until(`String(typeof window.cards)`, "object")
	same(t, "as the page came", b.Text(`JSON.stringify(cards.read())`), texts["thousand-seed-mass"])
	for name, text := range texts {
		form, err := json.Marshal(w.JudgeProcedure(text).Form)
		if err != nil {
			t.Fatal(err)
		}
		same(t, name, b.Text(`cards.fill(`+string(form)+`), JSON.stringify(cards.read())`), text)
	}
	b.Text(`sessionStorage.clear()`)
}

// same holds what the cards say against the definition that the text is.
func same(t *testing.T, what, said, text string) {
	t.Helper()
	def, err := procedure.Parse(what, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	decoder := json.NewDecoder(strings.NewReader(said))
	decoder.UseNumber()
	if err := decoder.Decode(&got); err != nil {
		t.Fatalf("%s: %v in %s", what, err, said)
	}
	want := procedure.Form(def)
	for key := range want {
		if !reflect.DeepEqual(got[key], want[key]) {
			t.Errorf("%s: %s is %v in the cards, and is %v", what, key, got[key], want[key])
		}
	}
	if len(got) != len(want) {
		t.Errorf("%s: the cards say %v, and it is %v", what, got, want)
	}
}

func movesCards(b *chromium.Seat, site string) {
	b.Open(site + "/procedures/drying/edit")
	b.Until(formReady, "None")
	b.Until(stepsNow, "1lot:each 2wet:each 3drying 4dry_lot:again 5dry:again 6loss:again")
	b.Until(`String(document.querySelectorAll("#card-view i, #card-view b, #card-view script").length)`, "0")
	b.Focus(`#steps li:nth-child(3) [data-move="1"]`)
	b.Keys(chromium.Enter)
	b.Until(stepsNow, "3drying:again 4dry_lot:again") // at the edge it goes into the block first
	b.Until(spoken, "Step drying is now 3 of 6, in block again.")
	altArrow(b, "ArrowDown", 40)
	b.Until(stepsNow, "3dry_lot:again 4drying:again 5dry:again")
	b.Until(withFocus, "drying Down")
	altArrow(b, "ArrowUp", 38)
	altArrow(b, "ArrowUp", 38)
	b.Until(stepsNow, "3drying 4dry_lot:again")
	b.Until(spoken, "Step drying is now 3 of 6, in no block.")
	b.Click(`#steps li:nth-child(3) [data-copy]`)
	b.Until(stepsNow, "3drying 4drying_2 5dry_lot:again")
	b.Until(`document.activeElement.value`, "drying_2")
	b.Click(`#steps li:nth-child(4) [data-drop]`)
	b.Until(stepsNow, "3drying 4dry_lot:again")
	b.Until(spoken, "Step drying_2 is removed")
	b.Text(`(() => { const [a, z] = [document.querySelector("#steps li:nth-child(3)"), document.querySelector("#steps li:nth-child(1)")];
		a.querySelector(".number").dispatchEvent(new DragEvent("dragstart", {bubbles: true})); z.dispatchEvent(new DragEvent("drop", {bubbles: true, cancelable: true, clientY: z.getBoundingClientRect().top + 1})); })()`)
	b.Until(stepsNow, "1drying 2lot:each")
	b.Click(`#steps li:nth-child(1) [data-move="-1"]`)
	b.Until(spoken, "It is the first step already.")
}

func judgesCards(b *chromium.Seat, site string) {
	b.Go(site + "/procedures/drying/edit") // in the same window, with what was begun there
	b.Shows("#begun", "is here again")
	b.Until(stepsNow, "1drying 2lot:each")
	b.Leave("throwing it away", func() { b.Click("#anew") })
	b.Until(formReady, "None")
	b.Lacks("#begun:not([hidden])")
	b.Until(stepsNow, "1lot:each 2wet:each 3drying")
	b.Click(`#steps li:nth-child(6) .card-body > summary`)
	b.Fill(`#steps li:nth-child(6) [data-leaf="formula"]`, "(wet - dry) / nothing")
	b.Until(`document.getElementById("judged").textContent`, "mistake", "cannot be saved yet")
	b.Shows("#fault-list", "Step 6, loss: Formula", "nothing")
	b.Until(`document.querySelector('#steps li:nth-child(6) [data-leaf="formula"]').getAttribute("aria-invalid") + document.querySelector("#steps li:nth-child(6) .card-state").innerText`, "true", "Has a mistake")
	b.Click(`#steps li:nth-child(6) .card-body > summary`)
	b.Click(`#fault-list button`)
	b.Until(`document.activeElement.dataset.leaf + document.activeElement.closest("details").open`, "formula", "true")
	b.Click(`#steps li:nth-child(6) [data-key="formula"] .names summary`)
	b.Until(`document.querySelector('#steps li:nth-child(6) [data-key="formula"] .name-list').innerText.replace(/\s+/g, " ")`, "allowed wet dry loss")
	b.Fill(`#steps li:nth-child(6) [data-leaf="formula"]`, "(wet - dry) / ")
	b.Click(`#steps li:nth-child(6) [data-key="formula"] [data-insert="wet"]`)
	b.Until(formReady, "None: it can be saved.")
	b.Until(`[...document.querySelectorAll("#steps li:nth-child(2) .card-body .field:not([hidden]) [data-leaf]")].map((e) => e.dataset.leaf).join(" ")`, "step", "less target tolerance")
	b.Until(`[...document.querySelectorAll("#steps li:nth-child(3) .card-body .field:not([hidden]) [data-leaf]")].map((e) => e.dataset.leaf).join(" ")`, "do step in say label for when")
	b.Choose("#add-do", "confirm")
	b.Click("#add-step")
	b.Until(stepsNow, "7confirm")
	b.Shows("#fault-list", "Step 7, confirm: What people are told")
	b.Fill(`#steps li:nth-child(7) [data-leaf="say"]`, `Look <b>twice</b> "and" 'again': \\ {allowed}`)
	b.Until(formReady, "None")
	b.Click(`#steps li:nth-child(5) .card-body > summary`)
	b.Focus(`#steps li:nth-child(5) [data-leaf="on"]`)
	b.Until(`[...document.activeElement.options].map((o) => o.value).join()`, ",first,second")
	b.Until(`String(document.querySelectorAll("#card-view i, #card-view b, #card-view script").length)`, "0")
}

func showsText(b *chromium.Seat) {
	b.Click("#as-text")
	b.Until(`document.getElementById("text").value`, "do: confirm", `Look <b>twice</b>`, "first: {}")
	b.Until(`String(document.getElementById("card-view").hidden)`, "true")
	b.Text(`(() => { const e = document.getElementById("text"); e.value = e.value.replace("title:", "titel:"); e.dispatchEvent(new Event("input", {bubbles: true})); })()`)
	b.Until(`document.getElementById("judged").textContent`, "cannot be saved yet")
	b.Click("#as-cards")
	b.Shows("#outcome", "no card can hold", "Line 2")
	b.Until(`String(document.getElementById("card-view").hidden)`, "true")
	b.Click("#fault-list button")
	b.Until(`document.activeElement.id + getSelection()`, "text")
	b.Text(`(() => { const e = document.getElementById("text"); e.value = "# a remark\n" + e.value.replace("titel:", "title:").replace("step: confirm", "step: second"); e.dispatchEvent(new Event("input", {bubbles: true})); })()`)
	b.Until(formReady, "None: it can be saved.")
}

func savesCards(t *testing.T, b *chromium.Seat, site string, d *desk) {
	b.Go(site + "/procedures")
	b.Go(site + "/procedures/drying/edit")
	b.Shows("#begun", "is here again")
	b.Until(`document.getElementById("text").value`, "# a remark", "step: second")
	b.Click("#as-cards")
	b.Until(stepsNow, "7second")
	d.fail(true)
	b.Click("form#procedure button[type=submit]")
	b.Shows("#outcome", "Say what is new")
	b.Fill("#reason", "a second look")
	b.Click("form#procedure button[type=submit]")
	b.Shows("#outcome", "nothing of it is lost", "The journal is full")
	b.Until(stepsNow, "7second")
	d.fail(false)
	b.Sends("form#procedure button[type=submit]")
	b.Until(`location.pathname + location.search`, "/procedures/drying?version=2")
	b.Go(site + "/procedures/drying/edit")
	b.Until(formReady, "None")
	b.Lacks("#begun:not([hidden])")
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.saved) != 1 || d.saved[0]["reason"] != "a second look" || !strings.Contains(fmt.Sprint(d.saved[0]["text"]), "# a remark") || !strings.Contains(fmt.Sprint(d.saved[0]["text"]), "step: second") {
		t.Errorf("saved %v", d.saved)
	}
}

func (d *desk) fail(on bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fails = on
}

// shootProcedures keeps the pages at three sizes, dark and on paper, where WEIGHPOST_SHOTS names a folder.
func shootProcedures(b *chromium.Seat, site string) {
	for name, path := range map[string]string{"procedures": "/procedures", "procedure": "/procedures/drying?version=2&with=1", "procedure-edit": "/procedures/new?from=thousand-seed-mass", "procedure-new": "/procedures/new"} {
		for _, width := range []int{390, 1024, 1440} {
			b.Size(width, 900)
			b.Go(site + path)
			if got := b.Text("String(innerWidth)"); got != fmt.Sprint(width) {
				b.T.Errorf("the window is %s px wide, and not %d", got, width)
			}
			if strings.Contains(name, "-") {
				b.Until(formReady, "yes")
			}
			if b.Text(`String(document.documentElement.scrollWidth > innerWidth)`) == "true" {
				b.T.Errorf("%s is wider than %d px", path, width)
			}
			b.Shoot(fmt.Sprintf("%s-%d", name, width), true)
		}
		if os.Getenv("WEIGHPOST_SHOTS") == "" {
			continue
		}
		b.Does("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]any{{"name": "prefers-color-scheme", "value": "dark"}}})
		b.Shoot(name+"-dark", true)
		b.Does("Emulation.setEmulatedMedia", map[string]any{"media": "print", "features": []map[string]any{}})
		b.Shoot(name+"-paper", true)
		b.Does("Emulation.setEmulatedMedia", map[string]any{"media": "", "features": []map[string]any{}})
	}
	b.Size(1280, 800)
}
