package screens

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// settingsPages are the settings in force, the forms that change them, what waits for a person, and their history.
func (s *Screens) settingsPages() []row {
	if s.deps.Settings == nil {
		return nil
	}
	p := &settingsScreens{Screens: s}
	p.schema = sync.OnceValue(func() *node { return readSchema(s.deps.SettingsSchema) })
	p.layoutSchema = sync.OnceValue(func() *node { return readSchema(s.deps.LayoutSchema) })
	return []row{
		{"/settings", rights.ReadSettings, p.overview},
		{"/settings/waiting", rights.ReadSettings, p.waiting},
		{"/settings/history", rights.ReadSettings, p.history},
		{"/settings/new/balance", rights.Balances, p.balance},
		{"/settings/new/sink", rights.Sinks, p.sink},
		{"/settings/new/check", rights.Settings, p.check},
		{"/settings/{section}", rights.ReadSettings, p.section},
		{"/settings/balances/{id}", rights.ReadSettings, p.balance},
		{"/settings/balances/{id}/layout", rights.ReadSettings, p.layout},
		{"/settings/sinks/{id}", rights.ReadSettings, p.sink},
		{"/settings/checks/{id}", rights.ReadSettings, p.check},
	}
}

type settingsScreens struct {
	*Screens
	schema, layoutSchema func() *node
}

// settingsForm is a form of some settings.
type settingsForm struct {
	Root    *field
	Intro   string
	Method  string // PATCH or PUT
	Path    string // that the form asks
	Wrap    string // key at the top that a patch is about
	Prefix  string // of the paths of mistakes: balances[0]. or clock.
	Held    any    // what holds, as the document has it
	Item    any    // of a layout: the settings of its balance
	Tag     string // hash of the settings that were seen
	New     bool   // an id is asked for
	Kind    string // of a new sink
	Kinds   []string
	Groups  []sinkGroup       // of these
	Checks  []newCheck        // that a new check can begin as
	Means   map[string]string // what each ready-made check measures
	ID      string
	List    string
	May     bool
	Why     string // where not: why
	Policy  string
	Waiting *console.PendingSettings
	Done    string
	History []happening
	Layout  string // page of the balance's layout
	Lines   []shownFrame
	Text    string // a layout as its file says it
	Section string
	Samples []string // frames in base64
}

// IDKey is the key that tells the items of the form's list apart.
func (f *settingsForm) IDKey() string { return idKey(f.List) }

func idKey(list string) string {
	if list == "checks" {
		return "name"
	}
	return "id"
}

// part is what a form is about.
type part struct {
	section, id string
	right       []rights.Right
}

// formOf makes what all forms have in common.
func (p *settingsScreens) formOf(r *http.Request, about part, tag string) *settingsForm {
	f := &settingsForm{Tag: tag, Section: about.section, ID: about.id, Waiting: p.deps.Settings.PendingSettings(), May: true,
		Done: map[string]string{"holds": "The change holds, and is recorded.", "waits": "The change is recorded. It waits for a person, and holds once it is adopted.",
			"removed": "It is taken away, and that is recorded."}[r.URL.Query().Get("done")]}
	for _, right := range about.right {
		who := rights.From(r.Context())
		err := who.May(right)
		if right == rights.Balances && about.id != "" {
			err = who.MayAt(right, about.id)
		}
		if err != nil {
			f.May, f.Why = false, capital(err.Error())+". What is set is shown all the same."
		}
	}
	if why := p.central(about.section); why != "" {
		f.May, f.Why = false, why
	}
	doc, _ := p.deps.Settings.Settings()
	f.Policy = policyWords(doc, about.section)
	f.History = p.happened(r, about)
	return f
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// policyWords says how many people a change of a part takes.
func policyWords(doc map[string]any, section string) string {
	policy, _ := doc["settings"].(map[string]any)
	over := texts(policy["over"], false)
	if len(over) > 0 && section != "settings" && !slices.Contains(over, section) {
		return ""
	}
	switch policy["adopt"] {
	case "one":
		return "Policy: somebody entitled, signed in under their own name, makes this change hold; one from a program's key or the host's token waits for them."
	case "two":
		return "Policy: this change waits until somebody entitled, other than you, has adopted it."
	}
	return ""
}

// sectionRights are the rights that a change of a part takes, as the API judges them.
func sectionRights(section string) []rights.Right {
	switch section {
	case "balances":
		return []rights.Right{rights.Balances}
	case "sinks":
		return []rights.Right{rights.Sinks}
	case "people", "roles":
		return []rights.Right{rights.Settings, rights.People}
	}
	return []rights.Right{rights.Settings}
}

// section is the form of one part at the top of the file. Roles are a part of people, with a form of their own.
func (p *settingsScreens) section(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("section")
	key, skip := name, []string(nil)
	switch name {
	case "balances", "sinks", "checks":
		http.Redirect(w, r, "/settings#"+name, http.StatusSeeOther)
		return
	case "roles":
		key = "people"
	case "people":
		skip = []string{"roles"}
	}
	n := p.schema().child(key)
	if n == nil || n.Type != "object" || !slices.Contains(p.deps.SettingsSections, key) {
		p.sorry(w, r, http.StatusNotFound, "There is no such part of the settings", "See what there is under Settings.")
		return
	}
	doc, tag := p.deps.Settings.Settings()
	f := p.formOf(r, part{name, "", sectionRights(name)}, tag)
	f.Method, f.Path, f.Wrap, f.Prefix, f.Held = "PATCH", "/api/v1/settings", key, key+".", doc[key]
	if name == "roles" {
		n = &node{Type: "object", Of: []*node{n.child("roles")}}
	}
	f.Root, f.Intro = former{skip: skip, choices: p.choices(doc, key)}.groupOf(n, doc[key], ""), n.About
	if why := ofTheHost[key]; why != "" {
		f.May, f.Why = false, why
	}
	p.show(w, r, page{Template: "settings-form.html", Title: sectionTitle(name), Place: "/settings", Scripts: []string{"settings.js"}, Data: f})
}

// ofTheHost are parts that no form changes, and why.
var ofTheHost = map[string]string{
	"page":    "Where this page listens belongs to the host: it is set in the configuration file there, and weighpost reads it anew.",
	"central": "Whose signed settings hold here belongs to the host: it is set in the configuration file there, and weighpost reads it anew.",
}

// central says that a part is set by central settings, or "".
func (p *settingsScreens) central(section string) string {
	c := p.deps.Settings.CentralSettings()
	if section == "roles" {
		section = "people"
	}
	if c == nil || !slices.Contains(c.Sections, section) {
		return ""
	}
	return fmt.Sprintf("This comes from the central settings: serial number %d, signed by %s. It is changed and signed there, and not here.", c.Serial, strings.Join(c.Signed, ", "))
}

func sectionTitle(name string) string {
	if words := sectionWords[name]; words != "" {
		return words
	}
	return label("", name)
}

// itemOf finds a balance, a sink or a check in the settings.
func itemOf(doc map[string]any, list, id string) (item map[string]any, at int) {
	all, _ := doc[list].([]any)
	for i, one := range all {
		if o, _ := one.(map[string]any); o[idKey(list)] == id {
			return o, i
		}
	}
	return nil, len(all)
}

func (p *settingsScreens) balance(w http.ResponseWriter, r *http.Request) {
	f, ok := p.itemForm(w, r, "balances", "There is no such balance")
	if !ok {
		return
	}
	if !f.New {
		f.Layout = "/settings/balances/" + f.ID + "/layout"
	}
	if n := p.schema().child("balances"); n != nil && n.Item != nil {
		f.Root = former{skip: []string{"id"}}.groupOf(n.Item, f.Held, "")
	}
	title := "Balance " + f.ID
	if f.New {
		title, f.Intro = "Add a balance by hand", "Where nothing is known of it, the guided path is quicker: it listens, finds the settings and learns the lines."
	}
	p.show(w, r, page{Template: "settings-form.html", Title: title, Place: "/settings", Scripts: []string{"settings.js"}, Data: f})
}

// itemForm begins the form of a balance, a sink or a check: of the one that the address names, or of a new one. Where there is none of that
// id it answers, under the title missing, and is false.
func (p *settingsScreens) itemForm(w http.ResponseWriter, r *http.Request, list, missing string) (*settingsForm, bool) {
	doc, tag := p.deps.Settings.Settings()
	id := r.PathValue("id") // "": of a new one there is no id yet
	held, at := itemOf(doc, list, id)
	if held == nil && id != "" {
		p.sorry(w, r, http.StatusNotFound, missing, "The settings have none of this id.")
		return nil, false
	}
	f := p.formOf(r, part{list, id, sectionRights(list)}, tag)
	f.List, f.Method, f.Held, f.New, f.ID = list, "PUT", map[string]any{}, id == "", id
	f.Path, f.Prefix = "/api/v1/settings/"+list+"/"+id, fmt.Sprintf("%s[%d].", list, at)
	if held != nil {
		f.Held = held
	}
	if f.New {
		f.History = nil
	}
	return f, true
}

func (p *settingsScreens) sink(w http.ResponseWriter, r *http.Request) {
	f, ok := p.itemForm(w, r, "sinks", "There is no such destination")
	if !ok {
		return
	}
	if f.New {
		f.Held = map[string]any{"kind": r.URL.Query().Get("kind")}
	}
	kind, _ := f.Held.(map[string]any)["kind"].(string)
	for _, k := range p.kinds() {
		f.Kinds = append(f.Kinds, k.Key)
		if k.Key == kind {
			f.Kind, f.Root = kind, former{skip: []string{"id", "kind"}, rare: rareOf(kind)}.groupOf(k, f.Held, "")
		}
	}
	f.Groups = grouped(f.Kinds)
	title := "Destination " + f.ID
	if f.New {
		title = "Add a destination"
		if f.Kind != "" {
			title += ": " + kindWord(f.Kind)
		}
	}
	scripts := []string{"settings.js"}
	if f.Root == nil { // what kind of destination it is comes first: there is no form yet
		scripts = nil
	}
	p.show(w, r, page{Template: "settings-form.html", Title: title, Place: "/settings", Scripts: scripts, Data: f})
}

func (p *settingsScreens) kinds() []*node {
	if n := p.schema().child("sinks"); n != nil {
		return n.Kinds
	}
	return nil
}

// waiting is the change that waits for a person.
func (p *settingsScreens) waiting(w http.ResponseWriter, r *http.Request) {
	who := rights.From(r.Context())
	data := struct {
		Change   *console.PendingSettings
		May, Own bool
		Why      string
		History  []happening
	}{Change: p.deps.Settings.PendingSettings(), May: who.May(rights.Adopt) == nil, History: p.happened(r, part{})}
	if c := data.Change; c != nil {
		for _, section := range c.Sections {
			for _, right := range sectionRights(section) {
				data.May = data.May && who.May(right) == nil
			}
		}
		data.Own = who.Person != "" && slices.ContainsFunc(c.Proposed, func(a record.Actor) bool { return a.ID == who.Person })
		switch {
		case data.May && who.Person == "":
			data.Why = "It is adopted by a person, signed in under their own name."
		case data.May && data.Own && c.Needs == "two":
			data.Why = "Policy says that two people are needed: you have proposed it, and somebody else adopts it."
		}
	}
	p.show(w, r, page{Template: "settings-waiting.html", Title: "A change that waits", Place: "/settings", Data: data})
}
