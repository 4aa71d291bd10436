package injected

import (
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

// patience is how long a state of the page is waited for, on a machine that does much else.
const patience = 60 * time.Second

// browser is a real one, with what these tests want of it.
type browser struct{ *chromium.Seat }

func startBrowser(t *testing.T, base string) *browser {
	t.Helper()
	return &browser{chromium.Sit(t, 10*patience, base)}
}

// shows waits until the card of the balance shows a sample, letter by letter.
func (b *browser) shows(id string) {
	b.T.Helper()
	b.Until(`(document.querySelector("#balances li")?.textContent ?? "") + " "`, "sample "+id)
}

// unharmed looks for elements that are not the page's own, and for what scripts in ids would do.
func (b *browser) unharmed(t *testing.T) {
	t.Helper()
	got := b.Text(`document.querySelectorAll("img, b, iframe, [onerror], [onfocus], script:not([src^='/assets/'])").length + " intruders, " + document.title.includes("owned")`)
	if got != "0 intruders, false" {
		t.Errorf("on the page are %s", got)
	}
}
