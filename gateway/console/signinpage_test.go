//go:build unix

package console

import (
	"encoding/base64"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/rights"
)

// types sends text to what has the keyboard, as a password manager or the clipboard does.
func (b *browser) types(text string) {
	b.t.Helper()
	if err := b.Call("Input.insertText", map[string]any{"text": text}, nil); err != nil {
		b.t.Fatal(err)
	}
}

// press presses a key as a keyboard does.
func (b *browser) press(key string, code int) {
	b.t.Helper()
	for _, kind := range []string{"keyDown", "keyUp"} {
		text := map[string]string{"Enter": "\r"}[key]
		if err := b.Call("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code, "text": text}, nil); err != nil {
			b.t.Fatal(err)
		}
	}
}

// pictured keeps a picture of the page where WEIGHPOST_PICTURES names a folder.
func (b *browser) pictured(name string) {
	b.t.Helper()
	folder := os.Getenv("WEIGHPOST_PICTURES")
	if folder == "" {
		return
	}
	var shot struct{ Data string }
	if err := b.Call("Page.captureScreenshot", map[string]any{"format": "png"}, &shot); err != nil {
		b.t.Fatal(err)
	}
	raw, err := base64.StdEncoding.DecodeString(shot.Data)
	if err == nil {
		err = os.WriteFile(filepath.Join(folder, name+".png"), raw, 0o644)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// heard gives what a screen reader is told of the page: role and name of each part that can be used or that alerts.
func (b *browser) heard() (list []string) {
	b.t.Helper()
	var tree struct {
		Nodes []struct {
			Ignored    bool
			Role, Name struct{ Value any }
		}
	}
	if err := b.Call("Accessibility.getFullAXTree", map[string]any{}, &tree); err != nil {
		b.t.Fatal(err)
	}
	for _, n := range tree.Nodes {
		role, _ := n.Role.Value.(string)
		if name, _ := n.Name.Value.(string); !n.Ignored && slices.Contains([]string{"textbox", "button", "link", "checkbox", "heading", "alert"}, role) {
			list = append(list, role+" "+name)
		}
	}
	return list
}

const (
	tab, enter = 9, 13
	alert      = `document.querySelector("#told:not([hidden])")?.innerText ?? ""`
	at         = `document.activeElement.id`
	who        = `document.querySelector("#who:not([hidden])")?.innerText ?? ""`
)

// TestSigningInInABrowser signs in by the keyboard alone, in a real browser: with a wrong password and the right one, sees the
// name, and signs out.
func TestSigningInInABrowser(t *testing.T) {
	b := startBrowser(t)
	h := open(t)
	h.access.nothing = true
	h.access.ways = rights.Ways{OpenID: "the seed bank"}
	b.Open(h.base) // nobody may look: it goes to the sign-in by itself
	b.shows(at, "login")
	heard := b.heard()
	for _, want := range []string{"heading Sign in", "textbox Name", "textbox Password", "checkbox Show the password", "button Sign in", "link sign in at the seed bank"} {
		if !slices.Contains(heard, want) {
			t.Errorf("a screen reader hears no %q: %q", want, heard)
		}
	}
	if slices.Contains(heard, "link Look without signing in") {
		t.Error("the page offers to look, which is not allowed")
	}
	b.pictured("sign-in")
	b.types("reviewer")
	b.press("Tab", tab)
	b.shows(at, "secret")
	b.types("not the password")
	b.press("Enter", enter)
	b.shows(alert, "You are not signed in", "do not go together")
	b.shows(at, "secret") // the keyboard is where it goes on, with what was typed selected
	b.pictured("sign-in-refused")
	b.types(aSecret)
	b.press("Enter", enter)
	b.shows(who, "Signed in as The reviewer", "Sign out")
	b.shows(card, "b-12", "Nothing received yet")
	b.pictured("signed-in")
	if got := b.Text(`document.cookie`); got != "" {
		t.Errorf("a script of the page can read the cookie %q", got)
	}
	b.Text(`document.querySelector("#who-out").focus()`)
	b.press("Enter", enter)
	b.shows(`location.pathname`, "/sign-in")
	b.shows(at, "login")
	if h.access.count() == 0 || len(h.access.sessions) != 0 {
		t.Errorf("%d sessions after signing out", len(h.access.sessions))
	}
	if strings.Contains(h.logged.String(), "secret-of-session") || strings.Contains(h.logged.String(), aSecret) {
		t.Error("the log holds a secret")
	}
}

// TestTheFirstAccountInABrowser makes the first account and then chooses another password.
func TestTheFirstAccountInABrowser(t *testing.T) {
	b := startBrowser(t)
	h := open(t)
	h.access.ways = rights.Ways{SetUp: true}
	b.Open(h.base + "/sign-in")
	b.shows(at, "token")
	b.pictured("set-up")
	for _, text := range []string{"wrong", "ada", "Ada Quill " + hostile, aSecret} {
		b.types(text)
		b.press("Tab", tab)
	}
	b.Text(`document.querySelector("#set-up button").click()`)
	b.shows(alert, "The first account was not made", "set-up.token")
	b.shows(at, "token")
	b.types("the-one-time-token")
	b.press("Enter", enter)
	b.shows(who, "Signed in as Ada Quill "+hostile)
	b.shows(`document.querySelectorAll("img, #who b").length + ""`, "0")
	b.Text(`location.assign("sign-in")`)
	b.shows(`document.querySelector("#signed-in:not([hidden])")?.innerText ?? ""`, "You are signed in as Ada Quill", "it")
	b.pictured("own")
	b.Text(`byId("old").value = "not it"; byId("new").value = "another one, longer than before"; document.querySelector("#choose button").click()`)
	b.shows(alert, "The password was not changed", "present password")
	b.shows(at, "old") // what was wrong is where the keyboard is
	raw, _ := json.Marshal(aSecret)
	b.Text(`byId("old").value = ` + string(raw) + `; byId("new").value = "another one, longer than before"; document.querySelector("#choose button").click()`)
	b.shows(who, "Signed in as Ada Quill")
	if h.access.secrets["ada"] != "another one, longer than before" {
		t.Errorf("%q", h.access.secrets["ada"])
	}
}

// TestASessionThatEndsEndsTheLivePage: what is live is not shown on to somebody who may look no more, and looking on is no use of
// a session.
func TestASessionThatEndsEndsTheLivePage(t *testing.T) {
	b := startBrowser(t)
	h := open(t)
	h.access.nothing = true
	s := h.access.begin("operator", "password", "http 127.0.0.1", "")
	b.Open(h.base + "/sign-in")
	b.shows(at, "login")
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
