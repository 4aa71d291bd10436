package screens

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// stand is a register of containers and a heap of slips, of which pages only read.
type stand struct {
	vessels []console.ContainerView
	slips   []console.SlipView
}

func (s stand) Containers(q console.ContainersAsked) (list []console.ContainerView) {
	for _, v := range s.vessels {
		if v.ID > q.After && strings.HasPrefix(v.ID, q.Begin) && (q.Sort == "" || q.Sort == v.Sort) && (q.Withdrawn || !v.Withdrawn) {
			list = append(list, v)
		}
	}
	return list[:min(len(list), q.Limit)]
}

func (s stand) Container(id string) (console.ContainerView, bool) {
	i := slices.IndexFunc(s.vessels, func(v console.ContainerView) bool { return v.ID == id })
	if i < 0 {
		return console.ContainerView{}, false
	}
	return s.vessels[i], true
}

func (s stand) ContainerSorts() []string { return []string{"crucible", hostile} }

func (s stand) RegisterContainers(context.Context, []record.Container, string, record.Actor) ([]console.ContainerView, error) {
	return nil, nil
}
func (s stand) WithdrawContainer(context.Context, string, string, record.Actor) (console.ContainerView, error) {
	return console.ContainerView{}, nil
}

func (s slipsOf) Slips(q console.SlipsAsked) (list []console.SlipView) {
	for _, v := range s.slips {
		if q.State == "" || q.State == v.State {
			list = append(list, v)
		}
	}
	return list
}

var standAt = record.UTC(time.Date(2026, 11, 25, 9, 4, 5, 0, time.UTC))

// newStand has containers in every state, and hostile ones.
func newStand() stand {
	past := record.UTC(standAt.Time().Add(-time.Hour))
	by := record.Actor{ID: "ada", Name: hostile, By: record.ActorPassword}
	v := func(id string, change func(*console.ContainerView)) console.ContainerView {
		one := console.ContainerView{Container: record.Container{ID: id, Sort: "crucible"}, Since: standAt, By: by}
		change(&one)
		return one
	}
	weighed := func(c *console.ContainerView) {
		c.Empty = []console.EmptyMass{{Digits: "21.3400", Unit: "g", At: standAt, Balance: "b-12", Run: "r-7qx3-000001", Entry: record.EntryRef{Seq: 5, ID: "seed-bank/7qx3/b-12/000001"}},
			{Digits: "21.3399", Unit: "g", At: standAt, Balance: "b-12", Run: "r-7qx3-000001", Entry: record.EntryRef{Seq: 6, ID: "seed-bank/7qx3/@/000006"}}}
		c.Usages = []console.ContainerUse{{Run: "r-7qx3-000001", Sample: hostile, At: standAt}}
		c.Lot, c.Fields = hostile, map[string]string{"box": hostile}
	}
	s := stand{vessels: []console.ContainerView{v(hostile, weighed), v("cr-1", weighed),
		v("cr-2", func(c *console.ContainerView) { c.Expires = &past; c.Unfit = "The container cr-2 expired at 2026." }),
		v("cr-3", func(c *console.ContainerView) {
			c.InRun, c.Unfit = "r-7qx3-000002", "The container cr-3 is in the run r-7qx3-000002, which is open."
		}),
		v("cr-4", func(c *console.ContainerView) { c.Withdrawn, c.Unfit = true, "The container cr-4 was withdrawn." }), v("cr-ü", func(*console.ContainerView) {})}}
	for i, state := range []string{"waiting", "waiting", "confirmed", "turned down"} {
		l := &record.LateEntered{Head: record.Head{ID: fmt.Sprintf("seed-bank/7qx3/@/%06d", i+1), Seq: uint64(i + 1)}, Balance: record.Balance{ID: "b-12"}, Weighed: standAt, Slip: "2026-11-25 11:05",
			Value: record.Value{Digits: fmt.Sprintf("21.340%d", i), Unit: "g", PrintedUnit: "g", Kind: "net"}, Origin: record.OriginalSlip, Reason: hostile, By: record.Actor{ID: []string{"ben", "ada"}[i%2]},
			Context: record.Context{Person: &record.Learnt{ID: "ben"}, Sample: &record.Learnt{ID: hostile}}, Stamp: record.Stamp{UTC: standAt}}
		one := console.SlipView{LateEntered: l, State: state, Note: "The slip's clock is 61 min ahead of the time given."}
		if i == 0 {
			l.Picture, l.Alike = &record.KeptFile{Name: hostile, SHA256: strings.Repeat("ab", 32)}, []record.EntryRef{{Seq: 9, ID: "seed-bank/7qx3/b-12/000003"}}
		}
		if i > 1 {
			one.Decided = &record.LateDecided{Confirmed: state == "confirmed", By: record.Actor{ID: "cho"}, Reason: hostile, Stamp: record.Stamp{UTC: standAt}}
		}
		s.slips = append(s.slips, one)
	}
	slices.SortFunc(s.vessels, func(a, b console.ContainerView) int { return cmp.Compare(a.ID, b.ID) })
	return s
}

func standLab(t *testing.T, s stand) *lab {
	return newLab(t, Deps{Containers: s, Slips: slipsOf{s}, Source: source{balances: []console.Balance{{ID: "b-12"}, {ID: "b-13"}}}})
}

// slipsOf is the heap of slips alone.
type slipsOf struct{ stand }

func (s slipsOf) Slip(string) (console.SlipView, bool)                { return console.SlipView{}, false }
func (s slipsOf) HoldPicture(string, []byte) (record.KeptFile, error) { return record.KeptFile{}, nil }
func (s slipsOf) EnterSlip(context.Context, console.SlipEntered, record.Actor) (console.SlipView, error) {
	return console.SlipView{}, nil
}
func (s slipsOf) DecideSlip(context.Context, string, bool, string, record.Actor) (console.SlipView, error) {
	return console.SlipView{}, nil
}

// TestContainersAreShown with their state in a word and a shape, to whoever may change them with the forms for that, and hostile text as text.
func TestContainersAreShown(t *testing.T) {
	l := standLab(t, newStand())
	body := l.fetch(t, "/containers", as(rights.Operator))
	wants(t, "register", body, []string{`href="/containers/cr-1"`, "21.3400 g", "can be used", "not to be used", "in a run", `href="/runs/r-7qx3-000002"`, `id="register"`, "not weighed yet", `href="/labels/containers?`}, "cr-4")
	wants(t, "withdrawn", l.fetch(t, "/containers?withdrawn=true", as(rights.Operator)), []string{"cr-4", "withdrawn"})
	wants(t, "reviewer", l.fetch(t, "/containers", as(rights.Reviewer)), []string{"cr-1"}, `id="register"`)
	wants(t, "none so", l.fetch(t, "/containers?begin=zz", as(rights.Operator)), []string{"No container is so"})
	wants(t, "empty", standLab(t, stand{}).fetch(t, "/containers", as(rights.Operator)), []string{"No container is registered", `class="take" open`})
	body = l.fetch(t, "/containers/cr-1", as(rights.Operator))
	wants(t, "one", body, []string{"21.3400 g", "21.3399 g", `href="/weighed/seed-bank/7qx3/b-12/000001"`, `href="/happened/6"`, `data-send="POST /api/v1/containers/cr-1/withdraw"`, "data-change"})
	wants(t, "withdrawn", l.fetch(t, "/containers/cr-4", as(rights.Operator)), []string{"was withdrawn"}, "data-change", "/withdraw")
	wants(t, "visitor", l.fetch(t, "/containers/cr-1", as(rights.Auditor)), []string{"21.3400 g"}, "data-change", "/withdraw")
	if status, _ := l.get(t, "/containers/none", as(rights.Operator)); status != http.StatusNotFound {
		t.Errorf("%d", status)
	}
	body = l.fetch(t, "/labels/containers", as(""))
	wants(t, "labels", body, []string{`aria-label="Barcode cr-1"`, "This id cannot be a barcode of this kind", "cr-ü"}, "cr-4")
	wants(t, "one label", l.fetch(t, "/labels/containers?id=cr-2", as("")), []string{"Label of cr-2"}, "cr-1<")
	if status, _ := newLab(t, Deps{}).get(t, "/containers", as(rights.Operator)); status != http.StatusNotFound {
		t.Errorf("without a register: %d", status)
	}
}

// TestSlipsAreShownBesideTheirPictures: to a second person with what they decide by, and never to whoever typed it in or weighed it.
func TestSlipsAreShownBesideTheirPictures(t *testing.T) {
	l := standLab(t, newStand())
	body := l.fetch(t, "/slips", as(rights.Operator)) // Ada, who typed the second in
	wants(t, "operator", body, []string{`id="slip"`, `capture="environment"`, `<option>b-13`, `src="/api/v1/slips/seed-bank/7qx3/@/000001/picture"`, "21.3400", "61 min ahead", `href="/weighed/seed-bank/7qx3/b-12/000003"`,
		`data-send="POST /api/v1/slips/seed-bank/7qx3/@/000001/decide"`, "You typed it in: another person confirms it.", "confirmed", "turned down", "the slip"}, `data-send="POST /api/v1/slips/seed-bank/7qx3/@/000002/decide"`)
	ben := as(rights.Operator)
	ben.Actor.ID, ben.Person = "ben", "ben"
	wants(t, "who weighed both", l.fetch(t, "/slips", ben), []string{"You typed it in", "You weighed it"}, "/decide")
	wants(t, "reviewer", l.fetch(t, "/slips", as(rights.Reviewer)), []string{`/decide"`}, `id="slip"`)
	wants(t, "auditor", l.fetch(t, "/slips", as(rights.Auditor)), []string{"21.3400"}, `id="slip"`, "/decide")
	wants(t, "empty", standLab(t, stand{}).fetch(t, "/slips", as(rights.Operator)), []string{"Nothing waits", `class="take" open`})
	wants(t, "none", newLab(t, Deps{}).fetch(t, "/slips", as(rights.Operator)), []string{"cannot be typed in here"}, `id="slip"`)
}
