package screens

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// shownPart is a part of the settings in force.
type shownPart struct {
	Name, Title, About string
	Link               string
	Change             bool   // a form is offered
	Central            string // says that central settings set it
	Keys               []shownKey
	Items              []shownPart // balances, sinks, checks
}

// shownKey is one key that is set.
type shownKey struct {
	Path, Label, Value, About string
}

func (p *settingsScreens) overview(w http.ResponseWriter, r *http.Request) {
	doc, hash := p.deps.Settings.Settings()
	who := rights.From(r.Context())
	data := struct {
		Site, Hash, Done, Refused            string
		Since                                record.UTC
		By                                   string
		Parts                                []shownPart
		Waiting                              *console.PendingSettings
		AddBalance, AddSink, AddCheck, Roles bool
	}{Hash: hash, Waiting: p.deps.Settings.PendingSettings(), AddBalance: who.May(rights.Balances) == nil, AddSink: who.May(rights.Sinks) == nil,
		AddCheck: who.May(rights.Settings) == nil, Roles: who.May(rights.Settings) == nil && who.May(rights.People) == nil, Done: map[string]string{"removed": "It is taken away, and that is recorded.",
			"waits": "The change is recorded. It waits for a person, and holds once it is adopted."}[r.URL.Query().Get("done")]}
	data.Site, _ = doc["site"].(string)
	if p.deps.Configuration != nil {
		data.Refused = p.deps.Configuration().Refused
	}
	for _, h := range p.entries(r, "configured", 40) {
		if h.To == hash && h.Refused == "" {
			data.Since, data.By = h.Stamp.UTC, shownActor(h.By) // the oldest in a row
			if h.From != hash {
				break
			}
		}
	}
	for _, name := range p.deps.SettingsSections {
		data.Parts = append(data.Parts, p.shownPart(name, doc[name], who))
	}
	p.show(w, r, page{Template: "settings.html", Title: "Settings in force", Place: "/settings", Data: data})
}

func (p *settingsScreens) shownPart(name string, value any, who rights.Who) shownPart {
	n := p.schema().child(name)
	s := shownPart{Name: name, Title: sectionTitle(name), Link: "/settings/" + name}
	if n == nil {
		return s
	}
	s.Central = p.central(name)
	s.About, s.Change = n.About, ofTheHost[name] == "" && s.Central == ""
	for _, right := range sectionRights(name) {
		s.Change = s.Change && who.May(right) == nil
	}
	list, listed := value.([]any)
	if !listed {
		s.Keys = shownKeys(n, value, "")
		return s
	}
	for _, one := range list {
		o, _ := one.(map[string]any)
		id, _ := o[idKey(name)].(string)
		within := n.Item
		for _, k := range n.Kinds {
			if k.Key == o["kind"] {
				within = k
			}
		}
		item := shownPart{Name: id, Title: id, Link: "/settings/" + name + "/" + url.PathEscape(id), Change: s.Change && (name != "balances" || who.MayAt(rights.Balances, id) == nil)}
		if within != nil {
			item.Keys = slices.DeleteFunc(shownKeys(within, o, ""), func(k shownKey) bool { return k.Path == idKey(name) })
		}
		s.Items = append(s.Items, item)
	}
	return s
}

// shownKeys lists what is set, in the order of the forms.
func shownKeys(n *node, value any, path string) (list []shownKey) {
	o, ok := value.(map[string]any)
	if !ok {
		return nil
	}
	for _, c := range arranged(path, n.Of) {
		v, set := o[c.Key]
		if !set {
			continue
		}
		at := strings.TrimPrefix(path+"."+c.Key, ".")
		if c.Type == "object" {
			list = append(list, shownKeys(c, v, at)...)
			continue
		}
		list = append(list, shownKey{at, label(at, c.Key), shownValue(c, v), c.About})
	}
	return list
}

// shownValue is a value in words. Of a secret it says that there is one.
func shownValue(n *node, v any) string {
	if strings.HasPrefix(n.Pattern, "^(file:") {
		return "set"
	}
	escaped := escapedKeys[n.Key]
	switch v := v.(type) {
	case bool:
		return map[bool]string{true: "yes", false: "no"}[v]
	case string:
		if word := captureWords[v]; n.Type == "capture" && word != "" {
			return word
		}
	case []any:
		var each []string
		for _, one := range v {
			each = append(each, shownWithin(one))
		}
		return strings.Join(each, ", ")
	case map[string]any:
		return shownWithin(v)
	}
	return plainText(v, escaped)
}

// shownWithin is a value within another, in one line.
func shownWithin(v any) string {
	o, ok := v.(map[string]any)
	if !ok {
		if list, many := v.([]any); many {
			return strings.Join(texts(list, false), " ")
		}
		return plainText(v, true)
	}
	var each []string
	for _, key := range sortedKeys(o) {
		each = append(each, strings.ReplaceAll(key, "_", " ")+" "+shownWithin(o[key]))
	}
	return strings.Join(each, ", ")
}

func sortedKeys(o map[string]any) (keys []string) {
	for key := range o {
		keys = append(keys, key)
	}
	slices.Sort(keys)
	return keys
}

// happening is an entry on settings.
type happening struct {
	ID       string           `json:"id"`
	Seq      uint64           `json:"seq"`
	Schema   string           `json:"schema"`
	From     string           `json:"from"`
	To       string           `json:"to"`
	Changes  []string         `json:"changes"`
	Refused  string           `json:"refused"`
	Decision string           `json:"decision"`
	Change   string           `json:"change"`
	By       *record.Actor    `json:"by"`
	Reason   string           `json:"reason"`
	Adopted  string           `json:"adopted"`
	Stamp    record.Stamp     `json:"stamp"`
	Config   *json.RawMessage `json:"configuration"`
	Proposed []record.Actor   `json:"proposed"`
}

// What says in words what kind of happening it is.
func (h happening) What() string {
	switch {
	case h.Decision == record.SettingsAdopted:
		return "adopted"
	case h.Decision == record.SettingsTurnedDown:
		return "turned down"
	case h.Decision == record.SettingsWithdrawn:
		return "withdrawn"
	case strings.Contains(h.Schema, "settings-pending"):
		return "proposed, waits"
	case h.Refused != "":
		return "refused"
	case h.From == "" || len(h.Changes) == 0:
		return "start"
	}
	return "in force"
}

// Who is whoever did it.
func (h happening) Who() string { return shownActor(h.By) }

func shownActor(a *record.Actor) string {
	if a == nil {
		return "not said"
	}
	if a.By == record.ActorHost {
		return "on the host"
	}
	return strings.TrimSpace(a.Shown())
}

// entries lists the newest entries of some kinds. Where they cannot be read the page has none.
func (p *settingsScreens) entries(r *http.Request, kinds string, limit int) (list []happening) {
	if p.deps.Entries == nil || rights.From(r.Context()).May(rights.ReadJournal) != nil {
		return nil
	}
	page, err := p.deps.Entries.ListEntries(r.Context(), url.Values{"kind": strings.Split(kinds, " "), "sort": {"-seq"}, "limit": {plainText(limit, false)}})
	if err != nil {
		p.deps.Log.Warn("the history of the settings cannot be read", "err", err)
		return nil
	}
	for _, e := range page.Entries {
		var h happening
		if json.Unmarshal(e, &h) == nil {
			list = append(list, h)
		}
	}
	return list
}

// happened is the history of one part: only what concerns it, of each entry.
func (p *settingsScreens) happened(r *http.Request, about part) (list []happening) {
	start := about.section
	switch about.section {
	case "balances", "sinks", "checks":
		start = strings.TrimSuffix(about.section, "s")
	case "roles":
		start = "people"
	}
	if about.id != "" {
		start += " " + about.id
	}
	for _, h := range p.entries(r, "configured settings-pending settings-decided", 200) {
		if about.section != "" {
			h.Changes = slices.DeleteFunc(slices.Clone(h.Changes), func(c string) bool {
				return !strings.HasPrefix(c, start+":") && !strings.HasPrefix(c, start+" was ") || about.section == "roles" && !strings.Contains(c, "roles")
			})
		}
		if len(h.Changes) > 0 && len(list) < 30 {
			list = append(list, h)
		}
	}
	return list
}

// history is every configuration that held, and what differs between two of them.
func (p *settingsScreens) history(w http.ResponseWriter, r *http.Request) {
	data := struct {
		All         []happening
		A, B        string
		Before      happening
		After       happening
		Compared    bool
		Wrong       string
		Differences []console.SettingsDifference
		MayRead     bool
	}{A: r.URL.Query().Get("a"), B: r.URL.Query().Get("b"), MayRead: rights.From(r.Context()).May(rights.ReadJournal) == nil}
	data.All = p.entries(r, "configured settings-pending settings-decided", 200)
	if data.A != "" && data.B != "" && data.MayRead && p.deps.Entries != nil {
		var err error
		if data.Before, err = p.configured(r, data.A); err == nil {
			data.After, err = p.configured(r, data.B)
		}
		if err == nil && data.Before.Seq > data.After.Seq {
			data.Before, data.After = data.After, data.Before
		}
		if err == nil {
			data.Differences, err = p.deps.Settings.CompareSettings(*data.Before.Config, *data.After.Config)
		}
		if data.Compared = err == nil; err != nil {
			data.Wrong = "The two cannot be compared: " + err.Error() + "."
		}
	}
	p.show(w, r, page{Template: "settings-history.html", Title: "History of the settings", Place: "/settings", Data: data})
}

// configured reads one entry that holds a configuration.
func (p *settingsScreens) configured(r *http.Request, id string) (h happening, err error) {
	one, err := p.deps.Entries.EntryByID(r.Context(), id)
	if err != nil {
		return h, err
	}
	if err := json.Unmarshal(one.Entry, &h); err != nil {
		return h, err
	}
	if h.Config == nil {
		return h, errNoConfiguration
	}
	return h, nil
}

var errNoConfiguration = errors.New("one of the two entries holds no configuration")
