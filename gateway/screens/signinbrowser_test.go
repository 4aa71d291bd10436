//go:build unix

package screens

import (
	"encoding/base64"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/rights"
)

// typist is a real browser with somebody at the keyboard.
type typist struct {
	*chromium.Browser
	t *testing.T
}

func startTypist(t *testing.T) *typist {
	t.Helper()
	return &typist{chromium.Start(t, 2*time.Minute), t}
}

// types sends text to what has the keyboard, as a password manager or the clipboard does.
func (b *typist) types(text string) {
	b.t.Helper()
	if err := b.Call("Input.insertText", map[string]any{"text": text}, nil); err != nil {
		b.t.Fatal(err)
	}
}

// press presses a key as a keyboard does.
func (b *typist) press(key string) {
	b.t.Helper()
	for _, kind := range []string{"keyDown", "keyUp"} {
		text, code := map[string]string{"Enter": "\r"}[key], map[string]int{"Enter": 13, "Tab": 9}[key]
		if err := b.Call("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code, "text": text}, nil); err != nil {
			b.t.Fatal(err)
		}
	}
}

// shows waits until what a script says holds all of the wanted words.
func (b *typist) shows(script string, words ...string) {
	b.t.Helper()
	last := ""
	for limit := time.Now().Add(time.Minute); time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
		last = b.Text(script)
		if !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(last, w) }) {
			return
		}
	}
	b.t.Fatalf("%s never held %q; it ended as %q", script, words, last)
}

// pictured keeps a picture of the page where WEIGHPOST_PICTURES names a folder.
func (b *typist) pictured(name string) {
	b.t.Helper()
	folder := os.Getenv("WEIGHPOST_PICTURES")
	if folder == "" {
		return
	}
	var shot struct{ Data string }
	if err := b.Call("Page.captureScreenshot", map[string]any{"format": "png", "captureBeyondViewport": true}, &shot); err != nil {
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
func (b *typist) heard() (list []string) {
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
	toldText = `document.querySelector(".told")?.innerText ?? ""`
	keysAt   = `document.activeElement.id`
	signedAs = `document.querySelector(".signed")?.innerText ?? ""`
	markup   = `document.querySelectorAll("main img, main b").length + " intruders, title " + document.title`
	where    = `location.pathname + location.search`
)

// TestFirstAccountSignInAndAnotherPasswordByTheKeyboard goes from the first start to signing out, in a real browser over the real book
// of people: the one-time token, another password, a wrong and a right sign-in, a one-time password that has to be changed, and back
// to the page that was asked for.
func TestFirstAccountSignInAndAnotherPasswordByTheKeyboard(t *testing.T) {
	b := startTypist(t)
	people := openRegister(t)
	people.cfg.Visitors = "nothing"
	token := people.token(t)
	base := people.serve(t)
	b.Open(base + "/people?q=a") // nobody may look: it goes to where one signs in
	b.shows(where, "/sign-in?to=%2Fpeople%3Fq%3Da")
	b.shows(keysAt, "token")
	b.pictured("set-up")
	for _, text := range []string{"wrong", "ada", "Ada Quill " + hostileName, "short"} {
		b.types(text)
		b.press("Tab")
	}
	b.shows(`String(document.querySelector("#set-up button").disabled)`, "false")
	b.Text(`document.querySelector("#set-up button").click()`)
	b.shows(toldText, "The first account was not made", "set-up.token")
	b.shows(keysAt, "token") // what proves who asks was wrong: the keyboard is there, with what was typed selected
	b.types(token)
	b.press("Enter")
	b.shows(toldText, "5 characters and needs at least 15")
	b.shows(keysAt, "first")
	b.types(goodSecret)
	b.press("Enter")
	b.shows(where, "/people?q=a") // back to what was asked for
	b.shows(signedAs, "Ada Quill "+hostileName, "Sign out")
	b.shows(markup, "0 intruders", "People")
	if got := b.Text(`document.cookie`); got != "" {
		t.Errorf("a script of the page can read the cookie %q", got)
	}

	b.shows(`String(document.querySelector("#sign-out").disabled)`, "false")
	b.Text(`document.querySelector("#sign-out").focus()`)
	b.press("Enter")
	b.shows(where, "/sign-in")
	b.shows(keysAt, "login")
	b.shows(`String(document.querySelector("#sign-in button").disabled)`, "false")
	if heard := b.heard(); !slices.Contains(heard, "heading Sign in") || !slices.Contains(heard, "textbox Sign-in name") || !slices.Contains(heard, "textbox Password") ||
		!slices.Contains(heard, "checkbox Show the password") || !slices.Contains(heard, "button Sign in") || slices.Contains(heard, "link Look without signing in") {
		t.Errorf("a screen reader hears %q", heard)
	}
	people.add(t, "bo", "Bo Lind", rights.Operator) // with a password that can only be used to choose another
	b.types("bo")
	b.press("Tab")
	b.shows(keysAt, "secret")
	b.types("not the password")
	b.press("Enter")
	b.shows(toldText, "You are not signed in", "do not go together")
	b.shows(keysAt, "secret")
	b.pictured("sign-in-refused")
	b.types(goodSecret)
	b.press("Enter")
	b.shows(keysAt, "new") // the present one was just typed
	b.types(goodSecret)
	b.press("Enter")
	b.shows(toldText, "This is the secret that holds now: choose another")
	b.Text(`location.assign("/people")`) // there is no way round it
	b.shows(`document.querySelector("h1")?.innerText ?? ""`, "Choose another password")
	raw, _ := json.Marshal(goodSecret)
	b.shows(`String(document.querySelector("#choose button").disabled)`, "false")
	b.Text(`document.getElementById("old").value = ` + string(raw) + `; document.getElementById("new").focus()`)
	b.types("six rye sheaves by the well")
	b.press("Enter")
	b.shows(`document.querySelector("h1")?.innerText ?? ""`, "You may not do that") // back at what an operator may not see
	b.shows(signedAs, "Bo Lind")
	if _, err := people.SignIn(t.Context(), rights.SignIn{Login: "bo", Secret: "six rye sheaves by the well", Address: "192.0.2.7"}); err != nil {
		t.Error(err)
	}
}
