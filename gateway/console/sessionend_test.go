//go:build unix

package console

import (
	"testing"

	"weighpost/gateway/rights"
)

const who = `document.querySelector("#who:not([hidden])")?.innerText ?? ""`

// TestASessionThatEndsEndsTheLivePage: what is live is not shown on to somebody who may look no more, and looking on is no use of
// a session.
func TestASessionThatEndsEndsTheLivePage(t *testing.T) {
	b := startBrowser(t)
	h := open(t)
	h.access.nothing = true
	s := h.access.begin("operator", "password", "http 127.0.0.1", "")
	b.Open(h.base + "/healthz")
	b.shows(`document.body.innerText`, "alive")
	if err := b.Call("Network.setCookie", map[string]any{"name": "weighpost-" + h.port, "value": s.Secret, "url": h.base, "httpOnly": true, "sameSite": "Strict"}, nil); err != nil {
		t.Fatal(err)
	}
	b.Text(`location.assign("./")`)
	b.shows(who, "Signed in as The operator")
	h.access.mu.Lock()
	used := h.access.used[s.ID]
	h.access.mu.Unlock()
	until(t, func() bool { return len(h.streams) == 1 })
	h.access.mu.Lock()
	if now := h.access.used[s.ID]; now != used {
		t.Errorf("the page that nobody touches used the session %d times", now-used)
	}
	h.access.sessions = map[string]rights.Who{}
	h.access.mu.Unlock()
	b.shows(`location.pathname`, "/sign-in")
	until(t, func() bool { return len(h.streams) == 0 })
}
