package seen

import (
	"strings"
	"time"

	"weighpost/gateway/help"
)

// place is a page that is looked at: a name for its picture, and where it is.
type place struct {
	name, path string
	signedOut  bool        // a visitor looks
	bare       bool        // no navigation: a bench screen, a wall display
	rare       bool        // looked at where there is time for all: another page shows the same with other data
	then       func(*eyes) // what happens while it is open
}

// places are all pages of the console.
func (l *lab) places() []place {
	ids := l.weighings("b-12")
	list := []place{
		{name: "overview", path: "/"}, {name: "balance-well", path: "/balances/b-12"}, {name: "balance-garbled", path: "/balances/b-14"},
		{name: "balance-down", path: "/balances/b-15"}, {name: "wall", path: "/wall", bare: true}, {name: "wall-one", path: "/wall/b-12", bare: true},
		{name: "clock", path: "/clock"}, {name: "due", path: "/due"}, {name: "manual", path: "/manual"}, {name: "manual-page", path: "/manual/" + help.Topics()[0].Name},
		{name: "bench-choose", path: "/bench?choose"}, {name: "bench", path: "/bench/b-12", bare: true}, {name: "bench-down", path: "/bench/b-15", bare: true},
		{name: "bench-recorded", path: "/bench/b-12", bare: true, then: weighed},
		{name: "bench-cards", path: "/bench/cards"}, {name: "balance-label", path: "/balances/b-12/label"},
		{name: "weighed", path: "/weighed"}, {name: "weighed-none", path: "/weighed?sample=none-such"}, {name: "record", path: "/weighed/" + ids[0]},
		{name: "happened", path: "/happened"}, {name: "entry", path: "/happened/5"}, {name: "trail-reviews", path: "/happened/reviews"},
		{name: "backups", path: "/backups"}, {name: "samples", path: "/samples"}, {name: "containers", path: "/containers"}, {name: "container", path: "/containers/V-17"}, {name: "container-labels", path: "/labels/containers", rare: true}, {name: "slips", path: "/slips"},
		{name: "delivered", path: "/delivered"}, {name: "delivered-parked", path: "/delivered/lab-system"}, {name: "delivered-behind", path: "/delivered/broker", rare: true},
		{name: "delivered-held", path: "/delivered/released-only"}, {name: "previewed", path: "/delivered/lab-system/preview?id=" + ids[0]},
		{name: "add", path: "/add"},
		{name: "people", path: "/people"}, {name: "person-new", path: "/people/new"}, {name: "person", path: "/people/ben"}, {name: "roles", path: "/people/roles"},
		{name: "keys", path: "/people/keys"}, {name: "account-reviews", path: "/people/reviews"}, {name: "account", path: "/account"},
		{name: "settings", path: "/settings"}, {name: "settings-balance", path: "/settings/balances/b-12"}, {name: "settings-layout", path: "/settings/balances/b-12/layout"},
		{name: "settings-balance-new", path: "/settings/new/balance", rare: true}, {name: "settings-sink", path: "/settings/sinks/lab-system"}, {name: "settings-sink-new", path: "/settings/new/sink"}, {name: "settings-sink-kind", path: "/settings/new/sink?kind=print", rare: true},
		{name: "settings-roles", path: "/settings/roles"}, {name: "settings-waiting", path: "/settings/waiting"}, {name: "settings-history", path: "/settings/history"},
		{name: "settings-people", path: "/settings/people"}, {name: "settings-clock", path: "/settings/clock", rare: true}, {name: "settings-journal", path: "/settings/journal", rare: true},
		{name: "procedures", path: "/procedures"}, {name: "procedure", path: "/procedures/residue-on-ignition?version=2&with=1"},
		{name: "procedure-edit", path: "/procedures/residue-on-ignition/edit"}, {name: "procedure-new", path: "/procedures/new", rare: true},
		{name: "requests", path: "/requests?state=all"}, {name: "request", path: "/requests/lims/R-2026-1"},
		{name: "turned-away", path: "/balances/none-such"},
		{name: "overview-visitor", path: "/", signedOut: true}, {name: "sign-in", path: "/sign-in?to=/people", signedOut: true}, {name: "bench-visitor", path: "/bench/b-12", signedOut: true, bare: true},
	}
	list = append(append(list, l.fitPlaces()...), l.runPlaces()...)
	for i := range list {
		list[i].path = strings.TrimPrefix(list[i].path, "/")
	}
	return list
}

// weighed is a sample that is weighed before the screen.
func weighed(e *eyes) {
	e.T.Helper()
	e.l.ask("PUT", "/api/v1/balances/b-12/context", `{"person":{"id":"ada"},"sample":{"id":"LOT-1004"}}`, nil)
	e.l.prints("b-12", "W 112.0332 g S\r\n", len(e.l.weighings("b-12"))+1)
	for limit := time.Now().Add(patience); !strings.Contains(e.Text(`document.querySelector("#answer:not([hidden])")?.textContent ?? ""`), "112.0332"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(limit) {
			e.T.Fatal("the bench screen never said what became of the print")
		}
	}
}
