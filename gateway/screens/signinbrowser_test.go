//go:build unix

package screens

import (
	"encoding/json"
	"slices"
	"testing"

	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/rights"
)

// heard gives what a screen reader is told of the page: role and name of each part that can be used or that alerts.
func heard(b *chromium.Seat) (list []string) {
	b.T.Helper()
	var tree struct {
		Nodes []struct {
			Ignored    bool
			Role, Name struct{ Value any }
		}
	}
	if err := b.Call("Accessibility.getFullAXTree", map[string]any{}, &tree); err != nil {
		b.T.Fatal(err)
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
	b := sitDown(t)
	people := openRegister(t)
	people.cfg.Visitors = "nothing"
	token := people.token(t)
	base := people.serve(t)
	b.Open(base + "/people?q=a") // nobody may look: it goes to where one signs in
	b.Until(where, "/sign-in?to=%2Fpeople%3Fq%3Da")
	b.Until(keysAt, "token")
	b.Shoot("set-up", true)
	for _, text := range []string{"wrong", "ada", "Ada Quill " + hostileName, "short"} {
		b.Paste(text)
		b.Keys(chromium.Tab)
	}
	b.Until(`String(document.querySelector("#set-up button").disabled)`, "false")
	b.Text(`document.querySelector("#set-up button").click()`)
	b.Until(toldText, "The first account was not made", "set-up.token")
	b.Until(keysAt, "token") // what proves who asks was wrong: the keyboard is there, with what was typed selected
	b.Paste(token)
	b.Keys(chromium.Enter)
	b.Until(toldText, "5 characters and needs at least 15")
	b.Until(keysAt, "first")
	b.Paste(goodSecret)
	b.Keys(chromium.Enter)
	b.Until(where, "/people?q=a") // back to what was asked for
	b.Until(signedAs, "Ada Quill "+hostileName, "Sign out")
	b.Until(markup, "0 intruders", "People")
	if got := b.Text(`document.cookie`); got != "" {
		t.Errorf("a script of the page can read the cookie %q", got)
	}

	b.Until(`String(document.querySelector("#sign-out").disabled)`, "false")
	b.Text(`document.querySelector("#sign-out").focus()`)
	b.Keys(chromium.Enter)
	b.Until(where, "/sign-in")
	b.Until(keysAt, "login")
	b.Until(`String(document.querySelector("#sign-in button").disabled)`, "false")
	if heard := heard(b); !slices.Contains(heard, "heading Sign in") || !slices.Contains(heard, "textbox Sign-in name") || !slices.Contains(heard, "textbox Password") ||
		!slices.Contains(heard, "checkbox Show the password") || !slices.Contains(heard, "button Sign in") || slices.Contains(heard, "link Look without signing in") {
		t.Errorf("a screen reader hears %q", heard)
	}
	people.add(t, "bo", "Bo Lind", rights.Operator) // with a password that can only be used to choose another
	b.Paste("bo")
	b.Keys(chromium.Tab)
	b.Until(keysAt, "secret")
	b.Paste("not the password")
	b.Keys(chromium.Enter)
	b.Until(toldText, "You are not signed in", "do not go together")
	b.Until(keysAt, "secret")
	b.Shoot("sign-in-refused", true)
	b.Paste(goodSecret)
	b.Keys(chromium.Enter)
	b.Until(keysAt, "new") // the present one was just typed
	b.Paste(goodSecret)
	b.Keys(chromium.Enter)
	b.Until(toldText, "This is the secret that holds now: choose another")
	b.Text(`location.assign("/people")`) // there is no way round it
	b.Until(`document.querySelector("h1")?.innerText ?? ""`, "Choose another password")
	raw, _ := json.Marshal(goodSecret)
	b.Until(`String(document.querySelector("#choose button").disabled)`, "false")
	b.Text(`document.getElementById("old").value = ` + string(raw) + `; document.getElementById("new").focus()`)
	b.Paste("six rye sheaves by the well")
	b.Keys(chromium.Enter)
	b.Until(`document.querySelector("h1")?.innerText ?? ""`, "You may not do that") // back at what an operator may not see
	b.Until(signedAs, "Bo Lind")
	if _, err := people.SignIn(t.Context(), rights.SignIn{Login: "bo", Secret: "six rye sheaves by the well", Address: "192.0.2.7"}); err != nil {
		t.Error(err)
	}
}
