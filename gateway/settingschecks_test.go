//go:build linux

package gateway_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

// TestAChecksFormsAreFilledInABrowser: a check is defined and scheduled without a line of YAML. A decimal comma is told at its field, not
// guessed; what is saved stands in the file beside the comments that were there, and the balance has the check at once. A check that
// a schedule names is not taken away.
func TestAChecksFormsAreFilledInABrowser(t *testing.T) {
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
	set := func(at, value string) {
		b.Text(`{const e = document.querySelector('[data-one] [data-at="` + at + `"], [data-at="` + at + `"]'); e.value = "` + value + `"; e.dispatchEvent(new Event("input", {bubbles: true}))}`)
	}
	click := func(what string) { b.Text(`document.querySelector("` + what + `").click()`) }
	const outcome = `document.getElementById("outcome").innerText`
	save := func() {
		t.Helper()
		shows(outcome, "What would be different")
		b.Text(`document.getElementById("reason").value = "the lab's plan"`)
		click("#save")
		shows(`document.querySelector(".done")?.innerText ?? ""`, "The change holds")
	}

	b.Text(`location = "/settings/new/check"`)
	shows(`document.body.innerText`, "Ready-made", "corners", "Eccentricity: 33 % on the centre, front left")
	b.Text(`location = "/settings/new/check?use=corners"`)
	shows(`document.querySelector("#settings[data-ready]")?.innerText ?? ""`, "Places of the pan", "Show the difference")
	shows(`["times", "down", "tolerance.smallest", "measures"].map((k) => document.querySelector('[data-at="' + k + '"]').closest(".field").hidden).join()`, "true,true,true,true")
	b.Text(`document.getElementById("new-id").value = "edges"`)
	set("tolerance.percent", "0,03")
	click("#settings .tools button")
	shows(outcome, "There is one mistake, and nothing was changed")
	shows(`document.activeElement.dataset.at + " " + document.activeElement.closest(".field").innerText`, "tolerance.percent", "0,03", "such as 0.05")
	set("tolerance.percent", "0.03")
	click("#settings .tools button")
	save()
	if d, ok := h.Config().Definition("edges"); !ok || d.Tolerance.Percent != "0.03" || d.Measures != "eccentricity" {
		t.Errorf("in force is %+v", d)
	}

	b.Text(`location = "/settings/fitness"`)
	shows(`document.querySelector("#settings[data-ready]")?.innerText ?? ""`, "Which checks, and when")
	click(`[data-at='schedule'] > [data-add]`)
	shows(`document.activeElement.dataset.at`, "schedule[].check")
	set("schedule[].check", "edges")
	set("schedule[].every", "fortnight")
	click("#settings .tools button")
	shows(outcome, "There is one mistake, and nothing was changed")
	shows(`document.activeElement.dataset.at + " " + document.activeElement.closest(".field").innerText`, "schedule[].every", "is no interval")
	set("schedule[].every", "day")
	b.Text(`document.querySelector('[data-one] [data-at="schedule[].before_use"]').checked = true`)
	b.Text(`document.querySelector('[data-one] [data-at="schedule[].after"] input[value="move"]').checked = true`)
	set("unfit", "refuse")
	set("weights.coarse", "warn")
	click("#settings .tools button")
	save()
	v, ok := h.FitnessOf("b-1")
	if !ok || len(v.Schedule) != 1 || v.Schedule[0].Check != "edges" || v.Unfit != "refuse" {
		t.Errorf("the balance has %+v", v)
	}
	for _, text := range []string{"- name: edges", "use: corners", `percent: "0.03"`, "before_use: true", "unfit: refuse", "coarse: warn", "# the cold one"} {
		if got := h.read(t); !strings.Contains(got, text) {
			t.Errorf("the file has no %q:\n%s", text, got)
		}
	}

	b.Text(`location = "/settings/checks/edges"`)
	shows(`document.querySelector("#settings[data-ready]")?.innerText ?? ""`, "Ready-made check", "Show the difference")
	b.Text(`document.getElementById("gone-reason").value = "no longer"`)
	click("#remove")
	shows(outcome, "fitness.schedule[0].check", "there is no check")
	b.Text(`location = "/settings/new/balance"`)
	shows(`document.querySelector("#settings[data-ready]")?.innerText ?? ""`, "Accuracy class")
}
