//go:build linux

package gateway_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/needs/chromium"
	"weighpost/parsers/strict"
)

// TestALayoutComesAlongWithItsBalance: it is tried on frames, then written as a file of its own that the settings name; what is wrong
// with it has a place, and leaves nothing behind.
func TestALayoutComesAlongWithItsBalance(t *testing.T) {
	h, _ := newPoliced(t, "one")
	defer func() { h.stop(t) }()
	ada := keeper(t, "ada")
	put := func(layout map[string]any, dry bool) (console.SettingsAnswer, error) {
		doc, hash := h.Settings()
		item := doc["balances"].([]any)[0].(map[string]any)
		return h.ChangeSettings(ada, console.SettingsChange{Seen: []string{hash}, By: byOf(ada), Reason: "another firmware", DryRun: dry, List: "balances", ID: "b-1", Item: item,
			Layout: layout, Frames: [][]byte{[]byte("W     12.345 g\r\n"), []byte("what?\r\n")}})
	}
	written := func() int {
		files, _ := filepath.Glob(filepath.Join(h.dir, "layouts", "*"))
		return len(files)
	}
	good := map[string]any{"line": "W {weight 10} {unit}"}
	a, err := put(good, true)
	if err != nil || a.Outcome != console.SettingsValid || written() != 0 || len(a.Read) != 2 || a.Read[0].Why != "" || a.Read[1].Why == "" {
		t.Fatalf("%+v %v, %d files", a, err, written())
	}
	if p := a.Read[0].Pieces[1]; p.Name != "weight" || p.To-p.From != 10 {
		t.Errorf("%+v", a.Read[0].Pieces)
	}
	if len(a.Differences) != 1 || a.Differences[0].Path != "balances[b-1].layout" || a.Differences[0].From != "layout: as.yaml" {
		t.Errorf("%+v", a.Differences)
	}
	for _, bad := range []map[string]any{{"line": "{weight"}, {"line": "{weight} {unit}", "lien": "x"}, {"line": nil}} {
		_, err := put(bad, false)
		var faults strict.Faults
		if !errors.As(err, &faults) || !strings.HasPrefix(faults[0].Path, "layout.") || written() != 0 {
			t.Errorf("%v: %v, %d files", bad, err, written())
		}
	}
	if a, err := put(good, false); err != nil || a.Outcome != console.SettingsHold || written() != 1 {
		t.Fatalf("%+v %v, %d files", a, err, written())
	}
	if _, text, ok := h.LayoutInForce("b-1"); !ok || !strings.Contains(text, "W {weight 10} {unit}") {
		t.Errorf("in force is %q", text)
	}
	if got := h.read(t); !strings.Contains(got, "layout: layouts/b-1-") || !strings.Contains(got, "# the cold one") {
		t.Error(got)
	}
	if a, err := put(good, false); err != nil || a.Outcome != console.SettingsSame || written() != 1 {
		t.Errorf("the same again: %+v %v, %d files", a, err, written())
	}
	h.again(t)
	if _, text, _ := h.LayoutInForce("b-1"); !strings.Contains(text, "W {weight 10} {unit}") {
		t.Errorf("after a restart in force is %q", text)
	}
}

// TestSettingsAreChangedInABrowser: a wrong limit is told at its field, the difference is seen before it is saved, somebody else's
// change in between is shown and nothing typed is lost, and the history has it.
func TestSettingsAreChangedInABrowser(t *testing.T) {
	t.Parallel()
	h, _ := newPoliced(t, "none")
	defer func() { h.stop(t) }()
	b := chromium.Start(t, 2*time.Minute)
	shows := func(script string, words ...string) {
		t.Helper()
		last := ""
		for limit := time.Now().Add(30 * time.Second); time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
			last = b.Text(script)
			if !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(last, w) }) {
				return
			}
		}
		t.Fatalf("%s never holds %q, at last %q", script, words, last)
	}
	token, err := os.ReadFile(filepath.Join(h.dir, "journal", "set-up.token"))
	if err != nil {
		t.Fatal(err)
	}
	b.Open(strings.TrimSuffix(h.PageURL(), "/") + "/sign-in")
	shows(`document.readyState + " " + document.title`, "complete", "weighpost")
	b.Text(`fetch("/api/v1/set-up", {method: "POST", headers: {"X-Weighpost-Page": "1", "Content-Type": "application/json"},
		body: JSON.stringify({token: "` + strings.TrimSpace(string(token)) + `", id: "ada", name: "Ada Quill", secret: "a long enough secret of seeds"})}).then((r) => document.title = "set up " + r.status)`)
	shows(`document.title`, "set up 200")
	b.Text(`location = "/settings/balances/b-1"`)
	const ready = `document.querySelector("#settings[data-ready]")?.innerText ?? ""`
	shows(ready, "Serial number", "Show the difference")
	set := func(at, value string) {
		b.Text(`{const e = document.querySelector('[data-at="` + at + `"]'); e.value = "` + value + `"; e.dispatchEvent(new Event("input", {bubbles: true}))}`)
	}
	click := func(what string) { b.Text(`document.querySelector("` + what + `").click()`) }
	set("readability", "a little")
	set("capacity", "220 g")
	click("#settings .tools button")
	shows(`document.getElementById("outcome").innerText`, "There is one mistake, and nothing was changed")
	shows(`document.activeElement.dataset.at + " " + document.activeElement.closest(".field").innerText`, "readability", "is no mass")

	set("readability", "0.001 g")
	click("#settings .tools button")
	shows(`document.getElementById("outcome").innerText`, "What would be different", "balances[b-1].readability", "readability: 0.001 g", "not written")
	click("#save")
	shows(`document.getElementById("settings").innerText`, "Say why")

	bo := keeper(t, "bo")
	doc, hash := h.Settings()
	item := doc["balances"].([]any)[0].(map[string]any)
	item["place"] = "Room 9"
	if _, err := h.ChangeSettings(bo, console.SettingsChange{Seen: []string{hash}, By: byOf(bo), Reason: "moved", List: "balances", ID: "b-1", Item: item}); err != nil {
		t.Fatal(err)
	}
	b.Text(`document.getElementById("reason").value = "as on its plate <b>"`)
	click("#save")
	shows(`document.getElementById("outcome").innerText`, "Somebody else has changed the settings", "place", "Room 1", "Room 9")
	shows(`document.querySelector('[data-at="readability"]').value + document.querySelector('[data-at="place"]').value`, "0.001 gRoom 9")
	click("#settings .tools button")
	shows(`document.getElementById("outcome").innerText`, "What would be different", "readability: 0.001 g")
	click("#save")
	shows(`document.querySelector(".done")?.innerText ?? ""`, "The change holds")
	shows(ready, "Serial number")
	shows(`document.querySelector(".history").innerText`, "readability was changed", "Ada Quill", "as on its plate <b>")
	if c := h.Config().Balances[0]; c.Readability.String() != "0.001 g" || c.Capacity.String() != "220 g" || c.Place != "Room 9" {
		t.Errorf("%+v", c)
	}
	click("#settings .tools button")
	shows(`document.getElementById("outcome").innerText`, "Nothing differs from what is set")
}
