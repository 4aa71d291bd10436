package injected

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

// patience is how long a state of the page is waited for, on a machine that does much else.
const patience = 60 * time.Second

// browser is a real one, with what these tests want of it.
type browser struct {
	*chromium.Browser
	t *testing.T
}

func startBrowser(t *testing.T) *browser {
	t.Helper()
	return &browser{chromium.Start(t, 10*patience), t}
}

// shows waits until the card of the balance shows a sample, letter by letter.
func (b *browser) shows(t *testing.T, id string) {
	t.Helper()
	want := "sample " + id + " "
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		if strings.Contains(b.Text(`document.querySelector("#balances li")?.textContent ?? ""`)+" ", want[:len(want)-1]) {
			return
		}
	}
	t.Errorf("the page does not show %q: %s", id, b.Text(`document.querySelector("#balances li")?.textContent ?? ""`))
}

// unharmed looks for elements that are not the page's own, and for what scripts in ids would do.
func (b *browser) unharmed(t *testing.T) {
	t.Helper()
	got := b.Text(`document.querySelectorAll("img, b, iframe, [onerror], [onfocus], script:not([src^='/assets/'])").length + " intruders, " + document.title.includes("owned")`)
	if got != "0 intruders, false" {
		t.Errorf("on the page are %s", got)
	}
}
