package screens

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"weighpost/configs"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/sinks/all"
)

// shelf is settings that a test gives.
type shelf struct {
	doc     map[string]any
	pending *console.PendingSettings
	central *record.Central
	layout  string
}

func (s *shelf) Settings() (map[string]any, string) { return s.doc, "sha256:seen" }
func (s *shelf) ChangeSettings(context.Context, console.SettingsChange) (console.SettingsAnswer, error) {
	return console.SettingsAnswer{}, errors.New("a page changes nothing")
}
func (s *shelf) CentralSettings() *record.Central { return s.central }

func (s *shelf) PendingSettings() *console.PendingSettings { return s.pending }
func (s *shelf) DecideSettings(context.Context, console.SettingsDecision) (console.SettingsAnswer, error) {
	return console.SettingsAnswer{}, errors.New("a page changes nothing")
}
func (s *shelf) CompareSettings(before, after json.RawMessage) ([]console.SettingsDifference, error) {
	return []console.SettingsDifference{{Path: "clock.ceiling", From: string(before), To: string(after)}}, nil
}
func (s *shelf) LayoutInForce(string) (map[string]any, string, bool) {
	return map[string]any{"line": "{weight 10} {unit}", "frame": map[string]any{"ends": []any{"\r\n"}}, "stability": map[string]any{"rests <b>": "stable"}}, s.layout, s.layout != ""
}

// shelfEntries are entries that a test gives.
type shelfEntries struct {
	console.Entries
	list []string
}

func (s shelfEntries) ListEntries(_ context.Context, q url.Values) (console.EntryList, error) {
	var l console.EntryList
	for _, e := range s.list {
		for _, kind := range q["kind"] {
			if strings.Contains(e, "weighpost."+kind+"/1") {
				l.Entries = append(l.Entries, json.RawMessage(e))
			}
		}
	}
	return l, nil
}

func (s shelfEntries) EntryByID(_ context.Context, id string) (console.OneEntry, error) {
	for _, e := range s.list {
		if strings.Contains(e, `"id":"`+id+`"`) {
			return console.OneEntry{Entry: json.RawMessage(e)}, nil
		}
	}
	return console.OneEntry{}, console.ErrNoEntry
}

const hostileSetting = `"><script>alert(1)</script>`

// filledSettings has something of every shape.
const filledSettings = `{"site": "seed-bank", "journal": {"folder": "journal", "space": {"low": "2 GiB"}}, "clock": {"servers": ["time-1.example", "time-2.example"], "ceiling": "1s"},
 "balances": [{"id": "b-1", "serial": HOSTILE, "place": "Room 1", "capacity": "220 g", "readability": "0.0001 g", "port": {"address": "tcp://server.example:4001", "latency": "80ms"}, "layout": "layouts/a.yaml",
  "record": {"settled": {"frames": 5}}, "implausible": "keep", "identity_needed": true,
  "scanner": {"rules": [{"prefix": "\u001d21", "item": "sample", "strip": true}, {"gs1": {"21": "sample", "10": "lot"}, "for": "2h", "uses": 3}]},
  "ask": {"send": "W\r\n", "every": "2s"}, "commands": {"zero": {"send": "Z\r\n", "about": HOSTILE, "answer": "frame"}}, "samples": {"unknown": "ask"}, "context": {"person": {"for": "8h", "needed": true}}},
  {"id": "b-2", "port": {"address": "/dev/ttyS0", "speed": 4800, "parity": "even"}, "layout": "layouts/a.yaml", "record": {"every": "10s"}}, {"id": "b-3", "port": {"address": "/dev/ttyS1"}, "layout": "layouts/a.yaml", "record": "all"}],
 "sinks": [{"id": "broker", "kind": "mqtt", "broker": "mqtts://broker.example:8883", "password": "file:secrets/broker", "entries": ["weighing", "gap"], "self_test": false}, {"id": "lab", "kind": "http", "url": "https://lab.example/in"}, {"id": "day", "kind": "files", "folder": "out"}],
 "people": {"visitors": "nothing", "roles": {"weigher": ["see", "weigh"]}, "directory": {"url": "ldaps://directory.example", "users": {"barred": [{"attribute": "shadowExpire", "passed": "days"}]}, "groups": {"roles": [{"group": "cn=it", "roles": ["it", "operator"]}]}}},
 "checks": [{"name": "daily", "use": "one-weight", "loads": ["50 %"], "tolerance": {"percent": "0.05"}}, {"name": "scatter", "measures": "repeatability", "questions": [HOSTILE], "loads": ["100 g"], "times": 10, "tolerance": {"usp41": true, "smallest": "500 mg"}, "repeats": 2, "settle": {"frames": 4}, "uncertainty": true}],
 "fitness": {"schedule": [{"check": "daily", "every": "day", "before_use": true, "after": ["move", "repair"]}, {"check": "scatter", "every": "90 days", "grace": "168h"}], "unfit": "refuse", "minimum_weight": {"mass": "20 mg", "usp41": true, "certificate": {"required": "0.10", "safety": "2"}},
  "balances": [{"balance": "b-2", "schedule": [{"check": "daily", "every": "week"}], "unfit": "mark"}], "weights": {"coarse": "warn"}},
 "samples": {"pattern": "LOT-[0-9]+"}, "backup": {"folder": "backups", "keep": {"days": 30}}, "settings": {"adopt": "two", "over": ["balances", "clock"]}}`

func newShelf(t *testing.T) (*lab, *shelf) {
	t.Helper()
	s := &shelf{}
	q, _ := json.Marshal(hostileSetting)
	d := json.NewDecoder(strings.NewReader(strings.ReplaceAll(filledSettings, "HOSTILE", string(q))))
	d.UseNumber()
	if err := d.Decode(&s.doc); err != nil {
		t.Fatal(err)
	}
	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join("../../configs", name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	text, err := configs.Layouts.ReadFile("layouts/bench-net-grams.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s.layout = string(text)
	stamp := `"stamp":{"utc":"2026-11-25T10:04:05Z","zone":"+01:00","bound_s":0.02,"clock":"checked","sources":3}`
	frame := "cmVzdHMgfCArICAgMTIuMzQ1MCBnICB8IHNlZWQNCg==" // rests | +   12.3450 g  | seed, CR LF
	entries := shelfEntries{list: []string{
		`{"schema":"weighpost.configured/1","id":"seed-bank/a/@/000009","seq":9,"from":"sha256:was","to":"sha256:seen","configuration":{"v":2},"changes":["balance b-1: place was changed from \"Room 2\" to \"Room 1\"","clock: ceiling is now 1s"],"reason":"moved <i>","by":{"id":"ada","name":"Ada Quill","by":"password"},` + stamp + `}`,
		`{"schema":"weighpost.settings-decided/1","id":"seed-bank/a/@/000008","seq":8,"decision":"turned-down","changes":["sink broker: retain is now true"],"by":{"id":"bo","by":"password"},` + stamp + `}`,
		`{"schema":"weighpost.configured/1","id":"seed-bank/a/@/000001","seq":1,"to":"sha256:was","configuration":{"v":1},"changes":[],"by":{"id":"root","by":"host"},` + stamp + `}`,
		`{"schema":"weighpost.weighing/1","id":"seed-bank/a/b-1/000001","seq":5,"frame":"` + frame + `"}`, `{"schema":"weighpost.unread/1","id":"seed-bank/a/b-1/000002","seq":6,"frame":"PGI+bm90aGluZw0K"}`,
	}}
	l := newLab(t, Deps{Settings: s, SettingsSchema: read("weighpost.schema.json"), LayoutSchema: read("layout.schema.json"), Entries: entries,
		SettingsSections: []string{"journal", "page", "clock", "log", "balances", "sinks", "people", "samples", "requests", "checks", "fitness", "backup", "procedures", "review", "reports", "settings", "central"}})
	return l, s
}

// parsed is a page as a browser reads it.
func (l *lab) parsed(t *testing.T, path, role string) *html.Node {
	t.Helper()
	status, body := l.get(t, path, as(role))
	if status != 200 {
		t.Fatalf("%s: %d %s", path, status, body)
	}
	n, err := html.Parse(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func attr(n *html.Node, name string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val, true
		}
	}
	return "", false
}

func find(n *html.Node, fits func(*html.Node) bool) (list []*html.Node) {
	for c := range n.Descendants() {
		if c.Type == html.ElementNode && fits(c) {
			list = append(list, c)
		}
	}
	return list
}

func withAttr(name string) func(*html.Node) bool {
	return func(n *html.Node) bool { _, ok := attr(n, name); return ok }
}

func textOf(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data)
		}
	}
	return b.String()
}

// everyForm is the address of each form, and where the schema has what it is about.
func everyForm() map[string]string {
	forms := map[string]string{"/settings/journal": "journal.", "/settings/page": "page.", "/settings/clock": "clock.", "/settings/log": "log.", "/settings/people": "people.", "/settings/roles": "people.",
		"/settings/samples": "samples.", "/settings/fitness": "fitness.", "/settings/new/check?use=corners": "checks[].", "/settings/requests": "requests.", "/settings/backup": "backup.", "/settings/procedures": "procedures.", "/settings/review": "review.", "/settings/reports": "reports.", "/settings/settings": "settings.", "/settings/central": "central.", "/settings/new/balance": "balances[]."}
	for _, k := range all.Kinds {
		forms["/settings/new/sink?kind="+k.Name] = "sinks[" + k.Name + "]."
	}
	return forms
}

// apart are keys that no form has, each with the reason.
var apart = keysApart()

func keysApart() map[string]string {
	list := map[string]string{
		"site":          "the site's name begins every id, and stays as it is for as long as the journal lives",
		"checks[].name": "asked for where a check is added; what was checked by it stands under it",
		"balances[].id": "asked for where a balance is added; it never changes",
	}
	for _, k := range all.Kinds {
		list["sinks["+k.Name+"].id"], list["sinks["+k.Name+"].kind"] = "as of a balance", "chosen before the form"
	}
	return list
}

// TestEveryKeyIsInOneForm: no key of the schema is forgotten, and none is in two forms.
func TestEveryKeyIsInOneForm(t *testing.T) {
	l, _ := newShelf(t)
	found := map[string][]string{}
	for path, prefix := range everyForm() {
		page := l.parsed(t, path, "it")
		for _, e := range find(page, withAttr("data-at")) {
			at, _ := attr(e, "data-at")
			key := prefix + strings.TrimSuffix(at, "[]")
			if !slices.Contains(found[key], path) {
				found[key] = append(found[key], path)
			}
		}
	}
	schema, err := os.ReadFile("../../configs/weighpost.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	keys := 0
	readSchema(schema).leaves("", func(path string, _ *node) {
		keys++
		if path == "balances[].record.settled" { // a group, whose keys are there
			path += ".frames"
		}
		switch forms := found[path]; {
		case apart[path] != "" && len(forms) > 0:
			t.Errorf("%s is in %v, and in the list of those that no form has", path, forms)
		case apart[path] == "" && len(forms) != 1:
			t.Errorf("%s is in the forms %v, want one", path, forms)
		}
	})
	if keys < 250 {
		t.Errorf("the schema has %d keys: it is not read whole", keys)
	}
}

var written = regexp.MustCompile(`^-?[0-9]+$`)

// typed reads a form as its script does.
func typed(t *testing.T, root *html.Node) map[string]any {
	o := map[string]any{}
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			if c.Type != html.ElementNode || c.Data == "template" {
				continue
			}
			leaf, isLeaf := attr(c, "data-leaf")
			group, isGroup := attr(c, "data-group")
			items, isItems := attr(c, "data-items")
			capture, isCapture := attr(c, "data-capture")
			switch {
			case isLeaf:
				if v := valueOf(t, c); v != nil {
					o[leaf] = v
				}
			case isGroup:
				if v := typed(t, c); len(v) > 0 {
					o[group] = v
				}
			case isItems:
				if v := typedItems(t, c); v != nil {
					o[items] = v
				}
			case isCapture:
				o[capture] = typedCapture(t, c)
			default:
				walk(c)
			}
		}
	}
	walk(root)
	return o
}

func typedItems(t *testing.T, n *html.Node) any {
	_, isMap := attr(n, "data-map")
	list, o := []any{}, map[string]any{}
	holder := find(n, func(c *html.Node) bool { class, _ := attr(c, "class"); return class == "list" })[0]
	for c := holder.FirstChild; c != nil; c = c.NextSibling {
		if c.Type != html.ElementNode {
			continue
		}
		var v any = typed(t, c)
		if m := v.(map[string]any); len(m) == 1 && m[""] != nil {
			v = m[""]
		}
		if isMap {
			name := find(c, withAttr("data-name"))[0]
			key, _ := attr(name, "value")
			o[unescaped(t, name, key)] = v
		}
		list = append(list, v)
	}
	switch {
	case len(list) == 0:
		return nil
	case isMap:
		return o
	}
	return list
}

func typedCapture(t *testing.T, n *html.Node) any {
	choice := chosen(find(n, withAttr("data-choice"))[0])
	if !strings.HasPrefix(choice, "{") {
		return choice
	}
	key := strings.Trim(choice, "{}")
	within := find(n, func(c *html.Node) bool { when, _ := attr(c, "data-when"); return when == key })[0]
	return map[string]any{key: typed(t, within)[key]}
}

func chosen(n *html.Node) string {
	for _, o := range find(n, withAttr("selected")) {
		v, _ := attr(o, "value")
		return v
	}
	return ""
}

func unescaped(t *testing.T, n *html.Node, s string) string {
	if _, ok := attr(n, "data-escaped"); !ok {
		return s
	}
	v, err := strconv.Unquote(`"` + strings.ReplaceAll(s, `"`, `\"`) + `"`)
	if err != nil {
		t.Errorf("%q: %v", s, err)
	}
	return v
}

func valueOf(t *testing.T, n *html.Node) any {
	kind, _ := attr(n, "data-type")
	value, _ := attr(n, "value")
	_, checked := attr(n, "checked")
	switch {
	case kind == "tick":
		return checked
	case kind == "ticks":
		list := []any{}
		for _, e := range find(n, withAttr("checked")) {
			v, _ := attr(e, "value")
			list = append(list, v)
		}
		if _, loose := attr(n, "data-loose"); loose && len(list) == 0 {
			return nil
		}
		return list
	case kind == "lines":
		var list []any
		for line := range strings.SplitSeq(textOf(n), "\n") {
			if line != "" {
				list = append(list, unescaped(t, n, line))
			}
		}
		if list == nil {
			return nil
		}
		return list
	case n.Data == "select":
		value = chosen(n)
	}
	if value == "" {
		return nil
	}
	if kind == "number" && written.MatchString(value) {
		return json.Number(value)
	}
	return unescaped(t, n, value)
}

// TestAFormThatNobodyTouchedSaysWhatIs: what its fields say, as its script reads them, is what is set; what is not set and has a
// tick shows what applies.
func TestAFormThatNobodyTouchedSaysWhatIs(t *testing.T) {
	l, s := newShelf(t)
	forms := map[string]any{"/settings/balances/b-1/layout": nil}
	forms["/settings/balances/b-1/layout"], _, _ = s.LayoutInForce("b-1")
	for _, section := range []string{"journal", "page", "clock", "log", "samples", "requests", "fitness", "backup", "procedures", "review", "reports", "settings", "people"} {
		forms["/settings/"+section] = s.doc[section]
	}
	forms["/settings/roles"] = map[string]any{"roles": s.doc["people"].(map[string]any)["roles"]}
	for _, list := range []string{"balances", "sinks", "checks"} {
		for _, one := range s.doc[list].([]any) {
			forms[fmt.Sprintf("/settings/%s/%s", list, one.(map[string]any)[idKey(list)])] = one
		}
	}
	for path, held := range forms {
		page := l.parsed(t, path, "it")
		form := find(page, func(n *html.Node) bool { id, _ := attr(n, "id"); return id == "settings" })[0]
		said := typed(t, find(form, func(n *html.Node) bool { class, _ := attr(n, "class"); return class == "whole" })[0])
		if path == "/settings/people" {
			o := map[string]any{}
			for k, v := range held.(map[string]any) {
				if k != "roles" {
					o[k] = v
				}
			}
			held = o
		}
		differ(t, path, "", said, held)
		var carried any
		text, _ := attr(form, "data-held")
		if d := json.NewDecoder(strings.NewReader(text)); true {
			d.UseNumber()
			if err := d.Decode(&carried); err != nil {
				t.Errorf("%s carries no JSON: %v", path, err)
			}
		}
	}
}

// differ tells where a form says something else than what is set.
func differ(t *testing.T, path, at string, said, held any) {
	t.Helper()
	a, isObject := said.(map[string]any)
	b, _ := held.(map[string]any)
	if !isObject {
		if b, ok := held.([]any); ok {
			if list, _ := said.([]any); len(list) == len(b) {
				for i := range b {
					differ(t, path, fmt.Sprintf("%s[%d]", at, i), list[i], b[i])
				}
				return
			}
		}
		if !reflect.DeepEqual(said, held) {
			t.Errorf("%s: %s says %#v, and set is %#v", path, at, said, held)
		}
		return
	}
	for key, v := range a {
		if was, set := b[key]; set {
			differ(t, path, at+"."+key, v, was)
			continue
		}
		_, tick := v.(bool)
		ticks, isList := v.([]any)
		group, isGroup := v.(map[string]any)
		switch {
		case len(ticks) == 0 && isList: // none is ticked, and only what somebody changes is sent
		case tick, key == "entries", key == "record" && v == "printed": // show what applies
		case isGroup:
			differ(t, path, at+"."+key, group, map[string]any{})
		default:
			t.Errorf("%s: %s.%s says %#v, and nothing is set", path, at, key, v)
		}
	}
	for key, v := range b {
		if _, there := a[key]; !there && key != "id" && key != "kind" && !(at == "" && key == "name") {
			t.Errorf("%s: %s.%s is %#v, and the form does not say it", path, at, key, v)
		}
	}
}

// TestSettingsAreTextAndSecretsAreNotShown: whatever stands in the settings is text on every page, and of a secret those in force
// say only that it is set.
func TestSettingsAreTextAndSecretsAreNotShown(t *testing.T) {
	l, s := newShelf(t)
	s.pending = &console.PendingSettings{Change: "c1", Sections: []string{"balances"}, Needs: "two", Proposed: []record.Actor{{ID: "bo", Name: hostileSetting}}, Reason: hostileSetting,
		Differences: []console.SettingsDifference{{Path: "balances[b-1].place", From: "place: " + hostileSetting}}}
	for _, path := range []string{"/settings", "/settings/checks/scatter", "/settings/fitness", "/settings/new/check", "/settings/new/check?use=" + url.QueryEscape(hostileSetting), "/settings/balances/b-1", "/settings/balances/b-1/layout", "/settings/waiting", "/settings/history", "/settings/sinks/broker?done=" + url.QueryEscape(hostileSetting),
		"/settings/new/sink?kind=" + url.QueryEscape(hostileSetting), "/settings/history?a=seed-bank/a/@/000001&b=seed-bank/a/@/000009", "/settings/history?a=x&b=" + url.QueryEscape(hostileSetting)} {
		status, body := l.get(t, path, as("it"))
		if status != 200 || strings.Contains(body, "<script>alert") || strings.Contains(body, "<b>nothing") || strings.Contains(body, "moved <i>") {
			t.Errorf("%s: %d, and has markup from outside", path, status)
		}
		if path == "/settings" && (strings.Contains(body, "secrets/broker") || !strings.Contains(body, "<strong>set</strong>")) {
			t.Error("the settings in force say where a secret is kept, or not that there is one")
		}
	}
}

// TestWhatIsOfferedFollowsTheRights: whoever may not change something sees it, and no button.
func TestWhatIsOfferedFollowsTheRights(t *testing.T) {
	l, _ := newShelf(t)
	for _, c := range []struct {
		path, role string
		offered    bool
	}{
		{"/settings/balances/b-1", "it", true}, {"/settings/balances/b-1", rights.BalanceKeeper, true}, {"/settings/balances/b-1", rights.Auditor, false}, {"/settings/balances/b-1", "", false},
		{"/settings/sinks/broker", "it", true}, {"/settings/sinks/broker", rights.BalanceKeeper, false}, {"/settings/clock", rights.BalanceKeeper, false}, {"/settings/clock", "it", true},
		{"/settings/checks/daily", "it", true}, {"/settings/checks/daily", rights.BalanceKeeper, false}, {"/settings/fitness", rights.Auditor, false}, {"/settings/fitness", "it", true},
		{"/settings/page", "it", false}, {"/settings/roles", rights.Reviewer, false}, {"/settings/roles", "it", true},
	} {
		_, body := l.get(t, c.path, as(c.role))
		if offered := strings.Contains(body, "Show the difference"); offered != c.offered || offered == strings.Contains(body, `<fieldset class="whole" disabled>`) {
			t.Errorf("%s, %q: offered %v", c.path, c.role, offered)
		}
	}
	if status, _ := l.get(t, "/settings", as(rights.Operator)); status != 403 {
		t.Errorf("an operator sees the settings: %d", status)
	}
	if _, body := l.get(t, "/settings", as("")); strings.Contains(body, ">Change") || strings.Contains(body, "/settings/new/") {
		t.Error("a visitor is offered a change")
	}
}

// TestAChangeWaitsForSomebodyElse: two people means another one.
func TestAChangeWaitsForSomebodyElse(t *testing.T) {
	l, s := newShelf(t)
	if _, body := l.get(t, "/settings/waiting", as("it")); !strings.Contains(body, "No change waits") {
		t.Error("nothing waits, and the page does not say so")
	}
	for _, c := range []struct {
		by, needs, role string
		adopt, decide   bool
	}{{"bo", "two", "it", true, true}, {"ada", "two", "it", false, true}, {"ada", "one", "it", true, true}, {"bo", "two", rights.Auditor, false, false}, {"bo", "two", rights.BalanceKeeper, false, false}} {
		s.pending = &console.PendingSettings{Change: "c1", Sections: []string{"balances"}, Needs: c.needs, Proposed: []record.Actor{{ID: c.by, By: record.ActorPassword}}}
		_, body := l.get(t, "/settings/waiting", as(c.role))
		if got := strings.Contains(body, "c1/adopt"); got != c.adopt {
			t.Errorf("%+v: adopting is offered: %v", c, got)
		}
		if got := strings.Contains(body, "c1/turn-down"); got != c.decide {
			t.Errorf("%+v: turning down is offered: %v", c, got)
		}
		if _, body := l.get(t, "/settings/balances/b-1", as(c.role)); !strings.Contains(body, "A change waits for a person") {
			t.Error("the form does not say that a change waits")
		}
	}
}

// TestAFormHasItsHistoryBesideIt: of each entry what is about the form, and of the whole history two can be compared.
func TestAFormHasItsHistoryBesideIt(t *testing.T) {
	l, _ := newShelf(t)
	for path, want := range map[string][2]string{"/settings/balances/b-1": {"place was changed", "ceiling"}, "/settings/clock": {"ceiling is now 1s", "place was changed"}, "/settings/sinks/broker": {"retain is now true", "ceiling"}} {
		page := l.parsed(t, path, "it")
		history := textOf(find(page, func(n *html.Node) bool { class, _ := attr(n, "class"); return class == "history" })[0])
		if !strings.Contains(history, want[0]) || strings.Contains(history, want[1]) {
			t.Errorf("%s: %s", path, history)
		}
	}
	_, body := l.get(t, "/settings/history?a=seed-bank/a/@/000009&b=seed-bank/a/@/000001", as("it"))
	if !strings.Contains(body, "<pre>{&#34;v&#34;:1}</pre>") || strings.Index(body, "v&#34;:1}</pre>") > strings.Index(body, "v&#34;:2}</pre>") {
		t.Error("the two are not compared from the older to the newer")
	}
	if _, body := l.get(t, "/settings/history?a=seed-bank/a/@/000008&b=seed-bank/a/@/000001", as("it")); !strings.Contains(body, "holds no configuration") {
		t.Error("an entry without a configuration is compared")
	}
	if _, body := l.get(t, "/settings/clock", as("it")); !strings.Contains(body, "other than you, has adopted it") {
		t.Error("the form does not say that it takes two")
	}
	if _, body := l.get(t, "/settings/backup", as("it")); strings.Contains(body, "has adopted it") {
		t.Error("the form says of a part that policy leaves out that it takes two")
	}
}

// TestALayoutIsShownOverTheLines: each piece over what it takes, and a line that does not fit says so.
func TestALayoutIsShownOverTheLines(t *testing.T) {
	l, s := newShelf(t)
	page := l.parsed(t, "/settings/balances/b-1/layout", "it")
	lines := find(page, func(n *html.Node) bool { class, _ := attr(n, "class"); return class == "line" })
	if len(lines) != 2 {
		t.Fatalf("%d lines", len(lines))
	}
	got := textOf(lines[0])
	for _, want := range []string{"+   12.3450weight", "g unit", "seedkind", "rests", "stability"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q has no %q", got, want)
		}
	}
	if got := textOf(lines[1]); !strings.Contains(got, "Does not fit") || !strings.Contains(got, "<b>nothing") {
		t.Errorf("%q", got)
	}
	s.layout = ""
	if status, _ := l.get(t, "/settings/balances/b-1/layout", as("it")); status != 404 {
		t.Errorf("no balance, and %d", status)
	}
}

// TestPartsThatComeFromElsewhereAreNotChangedHere: what central settings set says so, and offers no form; the rest does.
func TestPartsThatComeFromElsewhereAreNotChangedHere(t *testing.T) {
	l, s := newShelf(t)
	s.central = &record.Central{Serial: 12, Signed: []string{"seed-bank-ada+669afb79"}, Sections: []string{"log", "balances", "people"}}
	const said = "This comes from the central settings: serial number 12, signed by seed-bank-ada+669afb79."
	for path, theirs := range map[string]bool{"/settings/log": true, "/settings/people": true, "/settings/roles": true, "/settings/new/balance": true, "/settings/clock": false, "/settings/central": false} {
		page := l.parsed(t, path, "it")
		text := textOf(page)
		offered := strings.Contains(text, "Show the difference")
		if strings.Contains(text, said) != theirs || offered == (theirs || path == "/settings/central") {
			t.Errorf("%s: a form is offered: %t\n%s", path, offered, text)
		}
	}
	overview := textOf(l.parsed(t, "/settings", "it"))
	if n := strings.Count(overview, said); n != 3 || strings.Contains(overview, "Add one by hand") {
		t.Errorf("said %d times on the page of all settings", n)
	}
}
