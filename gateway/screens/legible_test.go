//go:build unix

package screens

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/live"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// piecesOf says of the digits on a page whether all of them are there, and on one line.
const piecesOf = `(() => {
	document.documentElement.style.fontSize = "%s";
	const d = document.querySelector(".weight .digits"), box = d.closest(".balance, .bench").getBoundingClientRect(), r = d.getBoundingClientRect();
	const lines = new Set(Array.from({ length: d.firstChild.length }, (_, i) => {
		const one = document.createRange(); one.setStart(d.firstChild, i); one.setEnd(d.firstChild, i + 1);
		return Math.round(one.getBoundingClientRect().top); })).size;
	return (d.scrollWidth > d.clientWidth + 1 || r.right > box.right + 1 || r.left < box.left - 1 ? "cut, " : "whole, ") +
		(lines > 1 ? ["in pieces:", r.width, "of", box.width, "px,", getComputedStyle(d).fontSize, getComputedStyle(d).fontWeight, d.parentElement.className].join(" ") : "on one line") + (location.pathname === "/" && document.documentElement.scrollWidth > innerWidth ? ", and the page is too wide" : "");
})()`

// TestAWeightIsNeverCutShort: on the overview and the page of one balance, on a narrow screen and with letters twice as large (WCAG 2.2, 1.4.4 and
// 1.4.10) every digit is there, on one line where it has as many as balances show. Part of a number would be another number.
func TestAWeightIsNeverCutShort(t *testing.T) {
	b, f := sitDown(t), twoBalances()
	f.change(func(s *source) { s.balances = s.balances[:1]; s.balances[0].Place = "" })
	h := openHouse(t, Deps{Source: f}, nil)
	for _, path := range []string{"/", "/balances/b-12"} {
		for _, digits := range []string{"-12.3450", "1234567.89", "-12345678.9012345678901234"} {
			f.change(func(s *source) {
				s.balances[0].Live = &record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: grams(digits, "stable")}
			})
			b.Open(h.base + path)
			b.Until(`document.querySelector(".weight .digits")?.textContent ?? ""`, digits)
			for _, width := range []int{400, 1280} {
				b.Size(width, 900)
				for _, size := range []string{"100%", "200%"} {
					if got := comesToFit(b, size, len(digits) > 12); got != "" {
						t.Errorf("%s: %s at %d px with letters of %s: %s", path, digits, width, size, got)
					}
				}
			}
		}
	}
}

// comesToFit says what is wrong with the digits once the browser has had a second to draw a page that has just opened; "" for nothing.
func comesToFit(b *chromium.Seat, size string, mayBreak bool) string {
	b.T.Helper()
	for limit := time.Now().Add(time.Second); ; time.Sleep(50 * time.Millisecond) {
		got := b.Text(fmt.Sprintf(piecesOf, size))
		if got == "whole, on one line" || mayBreak && strings.HasPrefix(got, "whole, in pieces") && !strings.Contains(got, "too wide") {
			return ""
		}
		if time.Now().After(limit) {
			return got
		}
	}
}

// TestThePageStandsStillWhileSamplesComeAndGo: a card is as high with a person and a sample as with neither, and with a recorded
// weighing that has a sample as with one that has none.
func TestThePageStandsStillWhileSamplesComeAndGo(t *testing.T) {
	person := record.ContextHeld{Name: "person", ID: "P-07", By: "scanned"}
	sample := record.ContextHeld{Name: "sample", ID: "LOT-2001", By: "scanned"}
	last := func(sample string) *console.Recorded {
		return &console.Recorded{UTC: record.UTC(time.Now()), Value: *grams("12.3450", "stable"), ID: "seed-bank/7qx3/b-12/000008", Sample: sample}
	}
	var all []console.Balance
	for i, c := range []struct {
		items []record.ContextHeld
		last  *console.Recorded
	}{
		{[]record.ContextHeld{person, sample}, last("LOT-2001")}, {[]record.ContextHeld{person}, last("LOT-2001")}, {[]record.ContextHeld{sample}, last("LOT-2001")},
		{nil, last("LOT-2001")}, {nil, last("")}, {nil, nil},
	} {
		one := console.Balance{ID: fmt.Sprint("b-", i), Identity: "confirmed", PortUp: true, Context: c.items, Last: c.last}
		all = append(all, one)
	}
	b, f := sitDown(t), &facts{}
	f.set(source{balances: all})
	h := openHouse(t, Deps{Source: f}, nil)
	b.Open(h.base)
	b.Until(firstCard, "b-0")
	high := strings.Fields(b.Text(`[...document.querySelectorAll(".facts")].map((e) => Math.round(e.getBoundingClientRect().height)).join(" ")`))
	if len(high) != len(all) || high[0] == "0" {
		t.Fatalf("heights %q of %d cards", high, len(all))
	}
	for i, px := range high {
		if px != high[0] {
			t.Errorf("card %d is %s px high, and the first one %s", i, px, high[0])
		}
	}
}

// TestASessionThatEndsEndsTheLivePage: what is live is not shown on to somebody who may look no more, and looking on is no use of a
// session.
func TestASessionThatEndsEndsTheLivePage(t *testing.T) {
	b := sitDown(t)
	people := openRegister(t)
	people.cfg.Visitors = "nothing"
	hub := &live.Hub{}
	people.deps.Live = hub
	people.add(t, "ada", "Ada Quill", rights.Operator)
	session, err := people.SignIn(t.Context(), rights.SignIn{Login: "ada", Secret: goodSecret, Address: "192.0.2.7"})
	if err != nil {
		t.Fatal(err)
	}
	if session, err = people.ChangeSecret(t.Context(), session.Who, goodSecret, "six rye sheaves by the well", "192.0.2.7"); err != nil {
		t.Fatal(err)
	}
	base := people.serve(t)
	b.Open(base + "/healthz")
	cookie := map[string]any{"name": "weighpost-" + base[strings.LastIndex(base, ":")+1:], "value": session.Secret, "url": base, "httpOnly": true, "sameSite": "Strict"}
	if err := b.Call("Network.setCookie", cookie, nil); err != nil {
		t.Fatal(err)
	}
	b.Text(`location.assign("/?find=")`)
	b.Until(signedAs, "Ada Quill")
	active := func() time.Time {
		list, err := people.Sessions(owner(), "ada")
		if err != nil || len(list) != 1 {
			t.Fatalf("%d sessions: %v", len(list), err)
		}
		return list[0].Active
	}
	var used time.Time
	for _, digits := range []string{"12.3450", "13.3450"} {
		used = active() // the second time all that the page is made of is there, and it hears
		for limit := time.Now().Add(patience); b.Text(`String(`+firstCard+`.includes("`+digits+`"))`) != "true" && time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
			hub.Publish(record.Live{Balance: "b-1", UTC: record.UTC(time.Now()), Value: grams(digits, "stable")})
		}
		b.Until(firstCard, digits)
	}
	if now := active(); !now.Equal(used) {
		t.Errorf("the page that nobody touches used the session %s later", now.Sub(used))
	}
	if n, err := people.SignOutEverywhere(t.Context(), owner(), "ada"); err != nil || n != 1 {
		t.Fatalf("%d sessions ended: %v", n, err)
	}
	b.Until(where, "/sign-in?to=%2F%3Ffind%3D")
}
